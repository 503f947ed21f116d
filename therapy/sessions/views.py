"""The bedside pages: begin, record, not given; and the page of one treatment with its corrections."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from clinic.access import Role, allow
from clinic.audit import services as audit
from clinic.forms import refuse, respond_invalid
from clinic.ids import new_id
from clinic.paging import page
from clinic.patients import selectors as patients
from clinic.records import Changed, Refused
from therapy.sessions import bedside, page_payload, record_page, selectors, services, stop_page
from therapy.sessions.forms import ReasonForm, StrikeForm
from therapy.sessions.payload import PayloadRefused
from therapy.sessions.services import Recorded

BEDSIDE, NOT_GIVEN, TREATMENT, STRIKE, LIST = (
    f"sessions/{name}.html" for name in ("bedside", "not_given", "treatment", "strike", "treatments")
)


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def start(request: HttpRequest, kind: str, pk: UUID) -> HttpResponse:
    """What is ordered, and whether it may begin now."""
    task = bedside.find(request.user, kind, pk)
    audit.record(action="bedside page read", by=request.user, subject=task.order, patient=task.patient)
    return render(request, BEDSIDE, _about(task))


@allow(Role.LEAD, Role.THERAPIST)
@require_POST
def begin(request: HttpRequest, kind: str, pk: UUID) -> HttpResponse:
    """Begin: refused where it is on hold."""
    task = bedside.find(request.user, kind, pk)
    try:
        services.begin(by=request.user, patient=task.patient, order=task.order, visit=task.visit)
    except Refused:
        return respond_invalid(request, BEDSIDE, _about(task) | {"refused": True})
    return redirect("treat-record", kind=kind, pk=pk)


@allow(Role.LEAD, Role.THERAPIST)
def record(request: HttpRequest, kind: str, pk: UUID) -> HttpResponse:
    """Record: filled in, then confirmed with the identity before the eyes, then stored once."""
    task = bedside.find(request.user, kind, pk)
    return record_page.answer(request, request.user, task)


@allow(Role.LEAD, Role.THERAPIST)
@require_POST
def findings(request: HttpRequest, kind: str, pk: UUID) -> HttpResponse:
    """What the numbers on the page say so far; asked while they are typed."""
    task = bedside.find(request.user, kind, pk)
    return record_page.findings(request, task)


@allow(Role.LEAD, Role.THERAPIST)
def not_given(request: HttpRequest, kind: str, pk: UUID) -> HttpResponse:
    """Not given today: the second tap, on a reason, records it."""
    task = bedside.find(request.user, kind, pk)
    data = request.POST if request.method == "POST" else None
    stopped = stop_page.to_record(task, request.GET.get("stop"))
    form = ReasonForm(data, initial={"record_id": stopped.pk if stopped is not None else new_id()})
    context = _about(task) | {"form": form, "groups": record_page.reason_groups()}
    if data is None:
        return render(request, NOT_GIVEN, context)
    if form.is_valid():
        try:
            payload = page_payload.not_given_payload(**form.cleaned_data, **task.named)
            recorded = services.record(by=request.user, payload=payload)
        except PayloadRefused as refused:
            for each in refused.problems:
                form.add_error(None, each.message)
        else:
            return stored(request, recorded)
    return respond_invalid(request, NOT_GIVEN, context)


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def treatment(request: HttpRequest, treatment_id: UUID) -> HttpResponse:
    """One treatment as it reads now, with every earlier version."""
    row = selectors.visible_treatment(request.user, treatment_id)
    audit.record(action="treatment read", by=request.user, subject=row, patient=row.patient)
    return render(request, TREATMENT, record_page.about_treatment(request.user, row))


@allow(Role.LEAD, Role.THERAPIST)
def amend(request: HttpRequest, treatment_id: UUID) -> HttpResponse:
    """Correct a treatment, with the reason."""
    row = selectors.visible_treatment(request.user, treatment_id)
    return record_page.answer_amendment(request, request.user, row)


@allow(Role.LEAD, Role.THERAPIST)
def strike(request: HttpRequest, treatment_id: UUID) -> HttpResponse:
    """Strike a treatment that was entered in error."""
    row = selectors.visible_treatment(request.user, treatment_id)
    data = request.POST if request.method == "POST" else None
    form = StrikeForm(data, initial={"expect_version": row.version})
    context = record_page.about_treatment(request.user, row) | {"form": form}
    if data is None:
        return render(request, STRIKE, context)
    if form.is_valid():
        try:
            services.strike_entered_in_error(by=request.user, treatment=row, **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Struck as entered in error. It stays readable; no figure counts it.")
            return redirect("treatment", treatment_id=row.pk)
    return respond_invalid(request, STRIKE, context)


@allow(Role.LEAD, Role.THERAPIST)
@require_POST
def sign(request: HttpRequest, treatment_id: UUID) -> HttpResponse:
    """Sign a student's treatment."""
    row = selectors.visible_treatment(request.user, treatment_id)
    try:
        services.sign(
            by=request.user, treatment=row, expect_version=int(request.POST.get("expect_version") or 0)
        )
        messages.success(request, "Signed.")
    except (Changed, Refused) as refused:
        messages.warning(request, refused.message)
    return redirect("treatment", treatment_id=row.pk)


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def treatments(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Every treatment of a patient, the newest first."""
    patient = patients.patient(request.user, patient_id)
    rows, which = selectors.treatments_of(patient), request.GET.get("which", "")
    if which == "not_given":
        rows = rows.filter(delivered="not_delivered")
    found = page(selectors.with_staff(rows), request.GET, order=selectors.NEWEST_FIRST, size=50)
    audit.record(action="treatments read", by=request.user, subject=patient, patient=patient)
    context = {"patient": patient, "banner": patients.banner(patient), "page": found}
    return render(
        request,
        LIST,
        context | {"rows": record_page.in_rows(found.rows), "which": request.GET.get("which", "")},
    )


def stored(request: HttpRequest, recorded: Recorded) -> HttpResponse:
    """Say what became of a record, and show it."""
    say = messages.success if recorded.outcome == "recorded" else messages.warning
    say(request, recorded.words)
    return redirect("treatment", treatment_id=recorded.treatment.pk)


def _about(task: bedside.Task) -> dict[str, Any]:
    return {
        "task": task,
        "patient": task.patient,
        "banner": patients.banner(task.patient),
        "standing": bedside.standing(task, timezone.now()),
        "stop_id": new_id(),
        "lines": record_page.ordered_lines(task.order),
    }
