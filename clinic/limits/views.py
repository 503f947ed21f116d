"""The pages of limits: of a patient, and of an age band in the settings."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods

from clinic.access import CLINICAL, Role, allow, require_licensed, signed_in
from clinic.audit import services as audit
from clinic.forms import posted, refuse, respond_invalid
from clinic.limits import forms, selectors, services
from clinic.limits.models import AgeBandLimits, SpO2Scale, StopLimits
from clinic.limits.rules import BAND_WORDS, LIMIT_FIELDS, AgeBand
from clinic.patients import selectors as patients
from clinic.records import Refused

get_and_post = require_http_methods(["GET", "POST"])
FORM, SCALE, BAND = (f"limits/{name}.html" for name in ("stop", "scale", "band"))
MOST_EARLIER = 10


@allow(*CLINICAL)
@get_and_post
def stop_limits(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Set when to stop a treatment of this patient."""
    patient = patients.patient(signed_in(request), patient_id)
    row = selectors.stop_limits(patient)
    form = forms.LimitsForm(posted(request), initial=_values(row))
    context = _about(patient, StopLimits) | {"form": form, "watch": selectors.watch(patient), "row": row}
    return _done(
        request, form, FORM, context,
        lambda: services.set_stop_limits(
            patient, by=signed_in(request), limits=form.limits(), reason=form.cleaned_data["reason"]
        ),
    )  # fmt: skip


@allow(*CLINICAL)
@get_and_post
def spo2_scale(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Decide on the scale of the saturation: a licensed clinician only."""
    require_licensed(signed_in(request))
    patient = patients.patient(signed_in(request), patient_id)
    row = selectors.spo2_scale(patient)
    form = forms.ScaleForm(posted(request), initial={"scale": row.scale if row else 1})
    context = _about(patient, SpO2Scale) | {"form": form, "watch": selectors.watch(patient), "row": row}
    return _done(
        request, form, SCALE, context,
        lambda: services.set_spo2_scale(patient, by=signed_in(request), **form.cleaned_data),
    )  # fmt: skip


@allow(Role.ADMINISTRATOR, Role.LEAD)
@get_and_post
def age_band(request: HttpRequest, band: str) -> HttpResponse:
    """Set the clinic's warning limits of an age band."""
    if band not in set(AgeBand):
        raise Http404
    which = AgeBand(band)
    held = selectors.band_limits(which)
    values = {name: getattr(held.limits, name, None) for name in LIMIT_FIELDS} | {"reason": held.source}
    form = forms.BandForm(posted(request), initial=values)
    rows = AgeBandLimits.objects.filter(band=band).select_related("by")
    context = {
        "form": form,
        "title": f"Warning limits for {BAND_WORDS[which]}",
        "adult": which is AgeBand.ADULT,
        "earlier": [
            (row, selectors.limits_of(row).parts()) for row in selectors.earlier(rows)[:MOST_EARLIER]
        ],
    }
    return _done(
        request, form, BAND, context,
        lambda: services.set_band_limits(
            which, by=signed_in(request), limits=form.limits(), reason=form.cleaned_data["reason"]
        ),
    )  # fmt: skip


def _about(patient: Any, model: Any) -> dict[str, Any]:
    rows = selectors.earlier(model.objects.filter(patient=patient).select_related("by"))[:MOST_EARLIER]
    earlier = [(row, selectors.limits_of(row).parts() if model is StopLimits else []) for row in rows]
    return {"patient": patient, "banner": patients.banner(patient), "earlier": earlier}


def _values(row: StopLimits | None) -> dict[str, Any]:
    return {name: getattr(row, name) for name in LIMIT_FIELDS} if row is not None else {}


def _done(request: HttpRequest, form: Any, template: str, context: dict[str, Any], act: Any) -> HttpResponse:
    patient = context.get("patient")
    back = request.GET.get("next", "")
    ours = url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure())
    if request.method == "POST" and form.is_valid():
        try:
            act()
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Stored, in force from now. What was in force before stays readable.")
            if patient is None:
                return redirect("settings")
            return redirect(back if ours else patients.address(patient.pk))
    if patient is not None and request.method == "GET":
        page = request.resolver_match.url_name if request.resolver_match else ""
        audit.read(by=signed_in(request), patient=patient, page=page or "limits")
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, template, context | {"back": back if ours else ""})
