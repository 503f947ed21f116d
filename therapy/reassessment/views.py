"""The pages of reassessment: what is due, those of one patient, recording one, correcting one."""

from datetime import timedelta
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from clinic.access import Role, allow, patients_visible_to
from clinic.audit import services as audit
from clinic.forms import differences, refuse, respond_invalid
from clinic.ids import new_id
from clinic.patients import selectors as patients
from clinic.patients.models import Patient
from clinic.records import Changed, Refused
from screening.table import current as current_table
from therapy.orders.selectors import orders_in_force
from therapy.reassessment import selectors, services
from therapy.reassessment.forms import CorrectionForm, ReassessmentForm

DUE, LIST, FORM, CORRECT = (f"reassessment/{name}.html" for name in ("due", "list", "form", "correct"))
AHEAD = timedelta(hours=24)


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def due(request: HttpRequest) -> HttpResponse:
    """Whose reassessment is overdue, due now, or due within a day."""
    now = timezone.now()
    visible = patients_visible_to(request.user)  # type: ignore[arg-type]  # allow() lets only a Person through
    listed = selectors.due_list(visible, now, now + AHEAD)
    rows = zip(
        patients.in_list([patient for patient, _ in listed]), (each for _, each in listed), strict=True
    )
    audit.record(action="list read", by=request.user, subject=request.path)  # type: ignore[arg-type]  # as above
    return render(request, DUE, {"rows": list(rows), "now": now})


@allow(Role.LEAD)
@require_POST
def flag(request: HttpRequest) -> HttpResponse:
    """Look for overdue reassessments now, and show how far it is."""
    run = services.ask_for_flags(by=request.user, now=timezone.now())  # type: ignore[arg-type]  # as above
    return redirect("job", run_id=run.pk)


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def of_patient(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """The reassessments of a patient, and when the next is due."""
    patient = patients.patient(request.user, patient_id)  # type: ignore[arg-type]  # as above
    audit.read(by=request.user, patient=patient, page="reassessments")  # type: ignore[arg-type]  # as above
    rows = list(selectors.reassessments_of(patient))
    return render(request, LIST, _about(patient) | {"rows": rows, "techniques": current_table().techniques})


@allow(Role.LEAD, Role.THERAPIST)
def new(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Record a reassessment."""
    patient, now = patients.patient(request.user, patient_id), timezone.now()  # type: ignore[arg-type]  # as above
    form = ReassessmentForm(
        request.POST if request.method == "POST" else None,
        orders=orders_in_force(now).filter(patient=patient).order_by("started_at", "id"),
        techniques=current_table().techniques,
        initial={"reassessment_id": new_id(), "at": now},
    )
    context = _about(patient) | {"form": form}
    if not form.is_bound:
        return render(request, FORM, context)
    if not form.is_valid():
        return respond_invalid(request, FORM, context)
    try:
        row = services.record(by=request.user, patient=patient, **form.cleaned_data)  # type: ignore[arg-type]  # as above
    except Refused as refused:
        refuse(form, refused)
        return respond_invalid(request, FORM, context)
    _say(request, row, now)
    return redirect("reassessments", patient_id=patient.pk)


@allow(Role.LEAD, Role.THERAPIST)
def correct(request: HttpRequest, patient_id: UUID, reassessment_id: UUID) -> HttpResponse:
    """Correct a reassessment, or strike it as entered in error."""
    patient = patients.patient(request.user, patient_id)  # type: ignore[arg-type]  # as above
    row = selectors.reassessments_of(patient).filter(pk=reassessment_id, entered_in_error=False).first()
    if row is None:
        raise Http404
    kept = {name: getattr(row, name) for name in ("findings", "still_helps", "outcome", "version")}
    form = CorrectionForm(request.POST if request.method == "POST" else None, initial=kept)
    context = _about(patient) | {"form": form, "row": row}
    if not form.is_bound:
        return render(request, CORRECT, context)
    if not form.is_valid():
        return respond_invalid(request, CORRECT, context)
    changes = dict(form.cleaned_data)
    version, reason = changes.pop("version"), changes.pop("reason")
    try:
        services.correct(by=request.user, row=row, changes=changes, reason=reason, expect_version=version)  # type: ignore[arg-type]  # as above
    except Refused as refused:
        refuse(form, refused)
        if isinstance(refused, Changed):
            context |= {"changed": True, "differs": differences(form, kept)}
        return respond_invalid(request, CORRECT, context)
    messages.success(request, "Reassessment corrected; the earlier version is kept.")
    return redirect("reassessments", patient_id=patient.pk)


def _about(patient: Patient) -> dict[str, object]:
    now = timezone.now()
    return {
        "patient": patient,
        "banner": patients.banner(patient),
        "due": selectors.due_of_patient(patient, now),
        "now": now,
    }


def _say(request: HttpRequest, row: object, now: object) -> None:
    created = getattr(row, "created_at", now)
    if created < now:  # type: ignore[operator]  # both are instants
        messages.info(request, "This reassessment was already recorded.")
        return
    messages.success(request, "Reassessment recorded.")
    if getattr(row, "outcome", "") != "continue":
        messages.info(request, "It changes no order by itself: change or stop the order on its own page.")
