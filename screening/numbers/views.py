"""The pages of vital signs, the measured exhalation and forced breathing tests."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from clinic.access import CLINICAL, allow, signed_in
from clinic.audit import services as audit
from clinic.forms import ClinicForm, posted, refuse, respond_invalid
from clinic.ids import new_id
from clinic.limits import selectors as limits
from clinic.measurements import services as measurements
from clinic.measurements.models import SetKind
from clinic.patients import selectors as patients
from clinic.patients.models import Patient
from clinic.records import Refused
from screening.numbers import forced, forms, selectors, services

get_and_post = require_http_methods(["GET", "POST"])
SIGNS, SIGNS_FORM, EXHALATION, FORCED, STRIKE = (
    f"numbers/{name}.html"
    for name in ("vital_signs", "vital_signs_form", "exhalation", "forced_test", "strike")
)
PAGE_OF = {
    SetKind.VITAL_SIGNS: "vital-signs",
    SetKind.EXHALATION: "exhalation",
    SetKind.FORCED: "forced-test",
}


@allow(*CLINICAL)
@require_GET
def vital_signs(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """The newest vital signs with their score, what they say, and those before as a table."""
    patient = patients.patient(signed_in(request), patient_id)
    sets, watch = selectors.vital_signs(patient), limits.watch(patient)
    context = _about(patient) | {
        "sets": sets,
        "newest": sets[0] if sets else None,
        "watch": watch,
        "findings": selectors.findings(sets, watch),
        "scale": limits.spo2_scale(patient),
    }
    return _shown(request, SIGNS, context)


@allow(*CLINICAL)
@get_and_post
def new_vital_signs(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Enter one set of vital signs."""
    patient = patients.patient(signed_in(request), patient_id)
    first = _first() | {"pregnant": selectors.pregnancy_says(selectors.screening_says(patient))}
    form = forms.VitalSignsForm(posted(request), age_years=_age(patient), initial=first)
    context = _about(patient) | {"form": form, "watch": limits.watch(patient)}
    return _entered(
        request, SIGNS_FORM, context, "vital-signs", "Vital signs recorded.",
        lambda: services.record_vital_signs(
            by=signed_in(request), patient=patient, values=form.values(), **form.known(), **_when(form)
        ),
    )  # fmt: skip


@allow(*CLINICAL)
@get_and_post
def exhalation(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Enter a measured exhalation, and read which range of an oscillating PEP device follows."""
    patient = patients.patient(signed_in(request), patient_id)
    form = forms.ExhalationForm(posted(request), age_years=_age(patient), initial=_first())
    context = _about(patient) | {"form": form, "rows": selectors.exhalations(patient)}
    return _entered(
        request, EXHALATION, context, "exhalation", "Exhalation recorded.",
        lambda: services.record_exhalation(
            by=signed_in(request), patient=patient, values=form.values(), **_when(form)
        ),
    )  # fmt: skip


@allow(*CLINICAL)
@get_and_post
def forced_test(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """The list of forced breathing tests, then what was measured."""
    patient = patients.patient(signed_in(request), patient_id)
    found = forced.found_by_screening(selectors.screening_says(patient))
    form = forms.ForcedTestForm(posted(request), age_years=_age(patient), found=found, initial=_first())
    sources = sorted({row.source for row in forced.rows()})
    context = _about(patient) | {"form": form, "rows": selectors.forced_tests(patient), "sources": sources}
    return _entered(
        request, FORCED, context, "forced-test", "Test recorded.",
        lambda: services.record_forced_test(
            by=signed_in(request), patient=patient, values=form.values(), answers=form.answers(),
            reason=form.cleaned_data["reason"], **_when(form),
        ),
    )  # fmt: skip


@allow(*CLINICAL)
@get_and_post
def strike(request: HttpRequest, set_id: UUID) -> HttpResponse:
    """Strike a set that was entered in error."""
    row = selectors.visible_set(signed_in(request), set_id)
    form = forms.StrikeForm(posted(request), initial={"expect_version": row.version})
    context = _about(row.patient) | {"form": form, "row": row, "back": PAGE_OF[SetKind(row.kind)]}
    return _entered(
        request, STRIKE, context, PAGE_OF[SetKind(row.kind)], "Struck as entered in error. It stays readable.",
        lambda: measurements.strike(row, by=signed_in(request), **form.cleaned_data),
    )  # fmt: skip


def _about(patient: Patient) -> dict[str, Any]:
    return {"patient": patient, "banner": patients.banner(patient)}


def _first() -> dict[str, Any]:
    return {"set_id": new_id(), "measured_at": timezone.now().replace(second=0, microsecond=0)}


def _when(form: ClinicForm) -> dict[str, Any]:
    return {"measured_at": form.cleaned_data["measured_at"], "set_id": form.cleaned_data["set_id"]}


def _age(patient: Patient) -> int:
    return limits.age_years(patient, timezone.localdate())


def _entered(  # noqa: PLR0917 - which page, what it shows, where it goes on, what it says and does
    request: HttpRequest, template: str, context: dict[str, Any], then: str, said: str, act: Callable[[], Any]
) -> HttpResponse:
    form = context["form"]
    if request.method != "POST":
        return _shown(request, template, context)
    if form.is_valid():
        try:
            act()
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, said)
            return redirect(then, patient_id=context["patient"].pk)
    return respond_invalid(request, template, context)


def _shown(request: HttpRequest, template: str, context: dict[str, Any]) -> HttpResponse:
    """A page of one patient, noted as read."""
    page = request.resolver_match.url_name if request.resolver_match else ""
    audit.read(by=signed_in(request), patient=context["patient"], page=page or template)
    return render(request, template, context)
