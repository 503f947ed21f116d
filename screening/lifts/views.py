"""The pages of lifts: propose one, read and sign it, end it early."""

import datetime as dt
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from clinic.access import CLINICAL, allow, signed_in
from clinic.audit import services as audit
from clinic.forms import ClinicForm, posted, refuse, respond_invalid
from clinic.ids import new_id
from clinic.patients import selectors as patients
from clinic.patients.models import Patient
from clinic.records import Refused
from clinic.units import selectors as units
from screening.lifts import pages, selectors, services
from screening.lifts.forms import EndForm, LiftForm

PROPOSE, LIFT, END = (f"screening/lifts/{name}.html" for name in ("propose", "lift", "end"))


@allow(*CLINICAL)
def propose(request: HttpRequest, patient_id: UUID, technique: str, condition: str) -> HttpResponse:
    """Propose to lift one "do not start"; a published one is refused with its reason and source."""
    person, at = signed_in(request), timezone.now()
    patient = patients.patient(person, patient_id)
    bar = pages.bar(patient, technique, condition, at)
    first = {"lift_id": new_id(), "expires_at": at + dt.timedelta(hours=24)}
    form = LiftForm(posted(request), initial=first)
    context = _about(patient) | {"bar": bar, "form": form, "longest": units.number(services.LONGEST)}
    if request.method != "POST":
        audit.read(by=person, patient=patient, page="screening-lift")
        return render(request, PROPOSE, context)
    if not form.is_valid():
        return respond_invalid(request, PROPOSE, context)
    try:
        lift = services.propose(
            by=person, patient=patient, technique=technique, condition=condition, at=at, **form.answers()
        )
    except Refused as refused:
        refuse(form, refused)
        return respond_invalid(request, PROPOSE, context)
    messages.success(request, "Kept. It counts once both have signed.")
    return redirect("lift", lift_id=lift.pk)


@allow(*CLINICAL)
def lift_page(request: HttpRequest, lift_id: UUID) -> HttpResponse:
    """One lift with its signatures; a press signs it, as whoever is signed in."""
    person, at = signed_in(request), timezone.now()
    lift = selectors.visible_lift(person, lift_id)
    form = ClinicForm(posted(request))
    context = _about(lift.patient) | {"page": pages.of_lift(person, lift, at), "form": form}
    if request.method != "POST":
        audit.read(by=person, patient=lift.patient, page="lift")
        return render(request, LIFT, context)
    try:
        services.sign(by=person, lift=lift, at=at)
    except Refused as refused:
        refuse(form, refused)
        return respond_invalid(request, LIFT, context)
    messages.success(request, "Signed.")
    return redirect("lift", lift_id=lift.pk)


@allow(*CLINICAL)
def end(request: HttpRequest, lift_id: UUID) -> HttpResponse:
    """End a lift early, or withdraw one that is not signed yet."""
    person, at = signed_in(request), timezone.now()
    lift = selectors.visible_lift(person, lift_id)
    form = EndForm(posted(request))
    context = _about(lift.patient) | {"page": pages.of_lift(person, lift, at), "form": form}
    if request.method != "POST":
        audit.read(by=person, patient=lift.patient, page="lift-end")
        return render(request, END, context)
    if not form.is_valid():
        return respond_invalid(request, END, context)
    try:
        services.end(by=person, lift=lift, at=at, reason=form.cleaned_data["reason"])
    except Refused as refused:
        refuse(form, refused)
        return respond_invalid(request, END, context)
    messages.success(request, "The lift has ended.")
    return redirect("screening", patient_id=lift.patient_id)


def _about(patient: Patient) -> dict[str, object]:
    return {"patient": patient, "banner": patients.banner(patient)}
