"""The stop page: one press records the stop; then the sign, who was told, and the checks."""

from datetime import datetime
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from clinic.access import Role, allow, signed_in
from clinic.audit import services as audit
from clinic.calendar import instant_of
from clinic.forms import ClinicForm, refuse, respond_invalid
from clinic.ids import new_id
from clinic.limits.selectors import age_years
from clinic.records import Refused
from therapy.sessions import bedside, stop_page, stops
from therapy.sessions.models import TreatmentStop
from therapy.sessions.stop_forms import SignForm, StopForm, ToldForm, recheck_form

STOP = "sessions/stop.html"


@allow(Role.LEAD, Role.THERAPIST)
@require_POST
def stop(request: HttpRequest, kind: str, pk: UUID) -> HttpResponse:
    """Stop: recorded at once, then what to do now."""
    task, now = bedside.find(signed_in(request), kind, pk), timezone.now()
    form = StopForm(request.POST)
    form.is_valid()
    stopped = stops.stop(
        by=signed_in(request),
        stop_id=form.cleaned_data.get("stop_id") or new_id(),
        at=now,
        started_at=_started(form, now),
        **task.named,
    )
    return redirect("stop", stop_id=stopped.pk)


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def page(request: HttpRequest, stop_id: UUID) -> HttpResponse:
    """What to do now, and what is still to be recorded of a stop."""
    stopped = stop_page.visible_stop(signed_in(request), stop_id)
    if not request.headers.get("HX-Request"):
        audit.record(action="stop read", by=signed_in(request), subject=stopped, patient=stopped.patient)
    return render(request, STOP, stop_page.about(stopped, timezone.now()))


@allow(Role.LEAD, Role.THERAPIST)
@require_POST
def sign(request: HttpRequest, stop_id: UUID) -> HttpResponse:
    """What made one stop."""
    stopped, form = stop_page.visible_stop(signed_in(request), stop_id), SignForm(request.POST)
    if form.is_valid():
        try:
            stops.name_sign(stopped, by=signed_in(request), **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            return _done(request, stopped, "Recorded what made you stop.")
    return _again(request, stopped, sign_form=form)


@allow(Role.LEAD, Role.THERAPIST)
@require_POST
def told(request: HttpRequest, stop_id: UUID) -> HttpResponse:
    """Who was told, and what they said."""
    stopped, form = stop_page.visible_stop(signed_in(request), stop_id), ToldForm(request.POST)
    if form.is_valid():
        try:
            stops.tell(stopped, by=signed_in(request), **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            return _done(request, stopped, f"Recorded: {form.cleaned_data['who']} was told.")
    return _again(request, stopped, told_form=form)


@allow(Role.LEAD, Role.THERAPIST)
@require_POST
def recheck(request: HttpRequest, stop_id: UUID, minutes: int) -> HttpResponse:
    """What was measured at a check."""
    stopped = stop_page.visible_stop(signed_in(request), stop_id)
    kind = recheck_form(age_years(stopped.patient, timezone.localdate()))
    form = kind(request.POST, prefix=f"after{minutes}")
    if form.is_valid():
        try:
            stops.check_again(stopped, by=signed_in(request), minutes=minutes, checked=form.checked)
        except Refused as refused:
            form.add_error(None, refused.message)
        else:
            return _done(request, stopped, "Check recorded.")
    return _again(request, stopped, recheck_form=form)


def _started(form: StopForm, now: datetime) -> datetime | None:
    """When the treatment began, as the page knew it: the last such time of the clock."""
    clock = form.cleaned_data.get("started")
    if clock is None:
        return None
    zone = timezone.get_default_timezone()
    return instant_of(timezone.localdate(now), clock, zone)


def _done(request: HttpRequest, stopped: TreatmentStop, words: str) -> HttpResponse:
    messages.success(request, words)
    return redirect("stop", stop_id=stopped.pk)


def _again(request: HttpRequest, stopped: TreatmentStop, **form: ClinicForm) -> HttpResponse:
    return respond_invalid(request, STOP, stop_page.about(stopped, timezone.now(), **form))
