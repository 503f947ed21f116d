"""The screening pages: the result, the form, and the documented decision."""

from datetime import timedelta
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme

from clinic import formats
from clinic.access import Role, allow, require_licensed
from clinic.audit import services as audit
from clinic.forms import refuse, respond_invalid
from clinic.ids import new_id
from clinic.patients import selectors as patients
from clinic.patients.models import Patient
from clinic.records import Refused
from screening import check_page, ordered, pages, services, table
from screening.check_form import CheckForm
from screening.decisions.offers import Offer, to_order_end
from screening.forms import DecisionForm, ScreeningForm, posted
from screening.lifts import selectors as lifts
from screening.numbers import selectors as numbers
from screening.policy import selectors as policies

FORM, RESULT, CHECK, DECISION, CONFIRM = (
    f"screening/{name}.html" for name in ("form", "result", "check", "decision", "decision_confirm")
)


@allow(Role.LEAD, Role.THERAPIST)
def result(request: HttpRequest, patient_id: UUID, screening_id: UUID | None = None) -> HttpResponse:
    """The screening in force, or an earlier one as it was shown then."""
    patient = patients.patient(request.user, patient_id)
    found = pages.earlier_screening(patient, screening_id) if screening_id else pages.in_force(patient)
    audit.record(action="screening read", by=request.user, subject=found, patient=patient)
    context = _about(patient)
    if found is not None:
        context["page"] = pages.result_page(request.user, patient, found, timezone.now())
        if context["page"].in_force:
            wanted = [row.technique for row in context["page"].rows if row.ordered]
            context["measured"] = numbers.beside(patient, wanted)
    return render(request, RESULT, context)


@allow(Role.LEAD, Role.THERAPIST)
def screen(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Ask, and record the answers."""
    patient, at = patients.patient(request.user, patient_id), timezone.now()
    data = request.POST if request.method == "POST" else None
    previous = pages.in_force(patient)
    wanted = ordered.techniques([patient.pk])[patient.pk]
    first = {"screening_id": new_id()}
    form = ScreeningForm(
        data, table=policies.rule_table(at), previous=previous, at=at, ordered=wanted, initial=first,
        lifts=lifts.counting([patient.pk], at).get(patient.pk, ()), measured=numbers.offered(patient),
    )  # fmt: skip
    context = _about(patient) | {"form": form, "previous": previous}
    if data is None:
        return render(request, FORM, context)
    if form.is_valid() and (row := _recorded(request, patient, form)) is not None:
        _say(request, "Screening recorded", row.created_at, at)
        return redirect(_back(request) or reverse("screening", args=[patient.pk]))
    return respond_invalid(request, FORM, context)


@allow(Role.LEAD, Role.THERAPIST)
def bedside_check(request: HttpRequest, patient_id: UUID, technique: str) -> HttpResponse:
    """Before a treatment: ask only what bears on it now, then go on to it, or show what holds it."""
    patient, at = patients.patient(request.user, patient_id), timezone.now()
    page = check_page.of(request.user, patient, technique, at, _back(request))
    first = {"screening_id": new_id()}
    data = request.POST if request.method == "POST" else None
    form = CheckForm(data, table=page.table, previous=page.previous, at=at, asked=page.rows, initial=first)
    context = _about(patient) | {"page": page, "form": form, "watch": page.watch}
    if data is None:
        audit.record(action="bedside check read", by=request.user, subject=page.previous, patient=patient)
        return render(request, CHECK, context)
    if not form.is_valid() or (row := _recorded(request, patient, form)) is None:
        return respond_invalid(request, CHECK, context)
    _say(request, "Check recorded", row.created_at, at)
    if not check_page.may_begin(patient, technique, timezone.now()):
        return redirect(request.get_full_path())
    return redirect(page.then or reverse("screening", args=[patient.pk]))


@allow(Role.LEAD, Role.THERAPIST)
def decide(request: HttpRequest, patient_id: UUID, technique: str) -> HttpResponse:
    """Document a decision: entered, then confirmed with the identity before the eyes."""
    require_licensed(request.user)
    patient, at = patients.patient(request.user, patient_id), timezone.now()
    screening, row, found = pages.to_decide(patient, technique, at)
    data = request.POST if request.method == "POST" else None
    first = {"based_on": screening.pk, "decision_id": new_id(), "expires_at": at + timedelta(hours=24)}
    offer = to_order_end(patient.pk, found, at)
    form = DecisionForm(data, offer=offer, initial=first)
    context = _about(patient) | {"form": form, "row": row, "screening": screening}
    if data is None or data.get("step") == "change":
        return render(
            request, DECISION, context | {"form": form if data is None else _unchecked(data, offer)}
        )
    if not form.is_valid():
        return respond_invalid(request, DECISION, context)
    if data.get("step") != "record":
        hidden = posted(form, data, without=("csrfmiddlewaretoken", "step"))
        return render(request, CONFIRM, context | {"hidden": hidden, "summary": form.summary()})
    if (decision := _decided(request, technique, screening, form)) is None:
        return respond_invalid(request, DECISION, context)
    _say(request, "Decision recorded", decision.created_at, at)
    return redirect("screening", patient_id=patient.pk)


def _about(patient: Patient) -> dict[str, object]:
    return {"patient": patient, "banner": patients.banner(patient), "table": table.current()}


def _recorded(request: HttpRequest, patient: Patient, form: ScreeningForm) -> object:
    try:
        return services.record_screening(
            by=request.user,
            patient=patient,
            answers=form.answers,
            at=timezone.now(),
            by_group=form.by_group,
            keep=form.kept,
            unusual=form.unusual,
            replacing=form.cleaned_data["based_on"],
            screening_id=form.cleaned_data["screening_id"],
            whole=not isinstance(form, CheckForm),
        )
    except Refused as refused:
        refuse(form, refused)
        return None


def _decided(request: HttpRequest, technique: str, screening: object, form: DecisionForm) -> object:
    given = dict(form.cleaned_data)
    if given.pop("based_on") != screening.pk:
        form.add_error(None, "Another screening was recorded since you opened this page: read it first")
        return None
    try:
        return services.decide(
            by=request.user, screening=screening, technique=technique, at=timezone.now(), **given
        )
    except Refused as refused:
        refuse(form, refused)
        return None


def _back(request: HttpRequest) -> str:
    """The page of the app that sent somebody here to ask, such as the bedside; empty where none did."""
    back = request.GET.get("next", "")
    ours = url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure())
    return back if ours else ""


def _unchecked(data: object, offer: Offer | None) -> DecisionForm:
    """The form as it was filled in, without saying again what is wrong."""
    form = DecisionForm(data, offer=offer)
    form.is_valid()
    return form


def _say(request: HttpRequest, words: str, created_at: object, at: object) -> None:
    if created_at < at:
        messages.info(request, f"Already recorded at {formats.time(created_at)}.")
    else:
        messages.success(request, f"{words}.")
