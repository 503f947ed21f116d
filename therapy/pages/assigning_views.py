"""The lead's pages of assigning and of sharing out what nobody covers."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from clinic import formats
from clinic.access import Role, allow, signed_in
from clinic.assignments import selectors as assignments
from clinic.audit import services as audit
from clinic.forms import posted, refuse, respond_invalid
from clinic.patients import selectors as patients
from clinic.records import Refused
from clinic.staff import selectors as staff
from therapy.pages import assigning
from therapy.pages.assigning_forms import ManyForm, OneForm
from therapy.scheduling.forms import day_asked_for

get_and_post = require_http_methods(["GET", "POST"])


@allow(Role.LEAD)
@get_and_post
def assign_many(request: HttpRequest) -> HttpResponse:
    """Who has no therapist, against everybody's minutes; several may be assigned at once."""
    person, now = signed_in(request), timezone.now()
    offered = assigning.therapists(timezone.localdate(now), now)
    rows = assigning.unassigned(person, now)
    form = ManyForm(
        posted(request), names={row.who.patient.pk: row.who.name for row in rows}, offered=offered
    )
    if request.method == "POST" and form.is_valid():
        found = {row.who.patient.pk: row.who.patient for row in rows}
        try:
            done = assigning.assign_all(person, {found[key]: to for key, to in form.chosen().items()})
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, f"{formats.count(done, 'patient')} assigned.")
            return redirect("assigning")
    context = {
        "form": form,
        "rows": [(row, form.field_of(row.who.patient.pk)) for row in rows],
        "offered": offered,
    }
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "pages/assigning.html", context)


@allow(Role.LEAD)
@get_and_post
def assign_one(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Assign or re-assign one patient, with the history."""
    person, now = signed_in(request), timezone.now()
    patient = patients.patient(person, patient_id)
    form = OneForm(posted(request), offered=assigning.therapists(timezone.localdate(now), now))
    if request.method == "POST" and form.is_valid():
        try:
            assigning.assign_all(person, {patient: form.person()}, reason=form.cleaned_data["reason"])
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, f"{form.person()} treats this patient now.")
            return redirect(patients.address(patient.pk))
    if request.method == "GET":
        audit.read(by=person, patient=patient, page="patient-assign")
    context = {
        "form": form,
        "patient": patient,
        "banner": patients.banner(patient),
        "history": list(assignments.history(patient.pk)),
    }
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "pages/assign_one.html", context)


@allow(Role.LEAD)
@get_and_post
def cover(request: HttpRequest) -> HttpResponse:
    """Who is not covered on a day, to be shared out in one step; the proposal spreads them by free minutes."""
    person, now, day = signed_in(request), timezone.now(), day_asked_for(request.GET)
    offered = [one for one in assigning.therapists(day, max(now, staff.day_span(day)[0])) if one.present]
    owner = request.GET.get("therapist", "")
    rows = assigning.not_covered(
        person, day, now, offered, owner_id=int(owner) if owner.isdecimal() else None
    )
    form = ManyForm(
        posted(request),
        names={row.who.patient.pk: row.who.name for row in rows},
        offered=offered,
        proposed={row.who.patient.pk: row.proposed for row in rows},
    )
    if request.method == "POST" and form.is_valid():
        chosen = form.chosen()
        taken = [(row, chosen[row.who.patient.pk]) for row in rows if row.who.patient.pk in chosen]
        try:
            shared = assigning.share_out(person, taken)
        except Refused as refused:
            refuse(form, refused)
        else:
            _tell(request, shared)
            return redirect(request.get_full_path())
    context: dict[str, Any] = {
        "form": form,
        "rows": [(row, form.field_of(row.who.patient.pk)) for row in rows],
        "offered": offered,
        "day": day,
        "treatments": sum(row.treatments for row in rows),
        "minutes": sum(row.minutes for row in rows),
        "short": max(0, sum(row.minutes for row in rows) - sum(one.free for one in offered)),
    }
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "pages/cover.html", context)


def _tell(request: HttpRequest, shared: assigning.SharedOut) -> None:
    words = (
        f"{formats.count(shared.covered, 'patient')} covered, {formats.count(shared.moved, 'visit')} moved."
    )
    messages.success(request, words)
    for off in shared.taken_off:
        messages.warning(request, f"Taken off the schedule, to be given anew: No. {off}")
