"""The holds page of a patient."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from clinic.access import Role, allow, signed_in
from clinic.attention import services as attention
from clinic.audit import services as audit
from clinic.forms import refuse, respond_invalid
from clinic.ids import new_id
from clinic.patients import selectors as patients
from clinic.records import Refused
from therapy.pages import hold_page
from therapy.pages.hold_forms import HoldToldForm

HOLDS = "pages/holds.html"


@allow(Role.LEAD, Role.THERAPIST)
def holds(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """What is on hold and who was told; a form keeps who was told by telephone or in person."""
    patient, now = patients.patient(signed_in(request), patient_id), timezone.now()
    context = hold_page.context(patient, now)
    techniques = [(line.order.technique, line.technique) for line in context["shown"].holds]
    data = request.POST if request.method == "POST" else None
    form = HoldToldForm(data, techniques=techniques, initial={"told_id": new_id(), "at": now})
    context |= {"form": form}
    if data is None:
        audit.record(action="holds read", by=signed_in(request), subject=patient, patient=patient)
        return render(request, HOLDS, context)
    if form.is_valid():
        try:
            attention.record_told(by=signed_in(request), patient=patient, **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, f"Recorded: {form.cleaned_data['who']} was told.")
            return redirect("patient-holds", patient_id=patient.pk)
    return respond_invalid(request, HOLDS, context)
