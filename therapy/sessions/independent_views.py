"""The pages of what a patient says was done alone: the diary, and the correction of one of its days."""

from datetime import timedelta
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from clinic.access import Role, allow
from clinic.audit import services as audit
from clinic.forms import refuse, respond_invalid
from clinic.patients import selectors as patients
from clinic.records import Refused
from therapy.orders.selectors import orders_of
from therapy.sessions import independent_services, selectors
from therapy.sessions.independent_forms import CorrectSetsForm, IndependentSetsForm

PAGE = "sessions/independent_sets.html"
CORRECT = "sessions/independent_sets_correct.html"
DAYS_SHOWN = 28


@allow(Role.LEAD, Role.THERAPIST)
def independent_sets(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """The diary of the last weeks, and one more day of it."""
    patient, today = patients.patient(request.user, patient_id), timezone.localdate()
    ordered = [one for one in orders_of(patient, timezone.now()) if one.independent_sets_a_day]
    data = request.POST if request.method == "POST" else None
    form = IndependentSetsForm(data, orders=ordered, initial={"service_date": today})
    first = today - timedelta(days=DAYS_SHOWN - 1)
    context = {
        "patient": patient,
        "banner": patients.banner(patient),
        "form": form,
        "entries": selectors.independent_sets_of(patient, first, today + timedelta(days=1))[::-1],
        "struck": selectors.struck_sets_of(patient, first, today + timedelta(days=1))[::-1],
        "days": DAYS_SHOWN,
    }
    if data is None:
        audit.record(action="independent sets read", by=request.user, subject=patient, patient=patient)
        return render(request, PAGE, context)
    if form.is_valid():
        try:
            independent_services.record_independent_sets(by=request.user, patient=patient, **form.given())
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Independent sets recorded.")
            return redirect("independent-sets", patient_id=patient.pk)
    return respond_invalid(request, PAGE, context)


@allow(Role.LEAD, Role.THERAPIST)
def correct(request: HttpRequest, patient_id: UUID, entry_id: UUID) -> HttpResponse:
    """Another number for a day of the diary, or the day struck as entered in error."""
    entry = selectors.visible_sets(request.user, patient_id, entry_id)
    data = request.POST if request.method == "POST" else None
    strike = bool(data) and data.get("step") == "strike"
    initial = {"sets_done": entry.sets_done, "expect_version": entry.version}
    form = CorrectSetsForm(data, strike=strike, initial=initial)
    context = {
        "patient": entry.patient,
        "banner": patients.banner(entry.patient),
        "entry": entry,
        "form": form,
        "earlier": selectors.earlier_sets_of(entry),
    }
    if data is None:
        audit.record(action="independent sets read", by=request.user, subject=entry, patient=entry.patient)
        return render(request, CORRECT, context)
    if form.is_valid():
        given = form.cleaned_data | {"by": request.user, "entry": entry}
        try:
            if strike:
                given.pop("sets_done")
                independent_services.strike_independent_sets(**given)
            else:
                independent_services.amend_independent_sets(**given)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Struck. No figure counts it." if strike else "Corrected.")
            return redirect("independent-sets", patient_id=entry.patient_id)
    return respond_invalid(request, CORRECT, context)
