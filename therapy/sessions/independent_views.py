"""The page of what a patient says was done alone."""

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
from therapy.sessions.forms import IndependentSetsForm

PAGE = "sessions/independent_sets.html"
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
