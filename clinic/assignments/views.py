"""Emergency access and hand-over notes."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from clinic.access import CLINICAL, Role, allow, signed_in
from clinic.assignments import selectors, services
from clinic.audit import services as audit
from clinic.forms import posted, refuse, respond_invalid
from clinic.patients import forms
from clinic.patients import selectors as patients
from clinic.records import Refused

NOT_FOUND = "No patient has this number and this birth date. Check both against the wristband"


@allow(Role.THERAPIST)
@require_http_methods(["GET", "POST"])
def emergency_access(request: HttpRequest) -> HttpResponse:
    """Open a record without being assigned: number, birth date and a reason."""
    form = forms.EmergencyForm(posted(request))
    if request.method == "GET":
        return render(request, "assignments/emergency.html", {"form": form})
    if form.is_valid():
        found = patients.by_number_and_birth_date(
            form.cleaned_data["record_number"], form.cleaned_data["birth_date"]
        )
        if found is None:
            audit.record(action="emergency access refused", by=signed_in(request), subject="emergency-access")
            form.add_error(None, NOT_FOUND)
        else:
            try:
                services.emergency_access(found, by=signed_in(request), reason=form.cleaned_data["reason"])
            except Refused as refused:
                refuse(form, refused)
            else:
                messages.success(request, "You may open this record now. The lead is told.")
                return redirect(patients.address(found.pk))
    return respond_invalid(request, "assignments/emergency.html", {"form": form})


@allow(*CLINICAL)
@require_http_methods(["GET", "POST"])
def handover(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Leave a note about a patient for a colleague who may open the record."""
    person, patient = signed_in(request), patients.patient(signed_in(request), patient_id)
    receivers = selectors.who_may_open(patient.pk, besides=person)
    form = forms.HandoverForm(posted(request), receivers=receivers)
    if request.method == "POST" and form.is_valid():
        services.hand_over(patient, by=person, **form.cleaned_data)
        messages.success(request, f"The note is with {form.cleaned_data['to']}.")
        return redirect(patients.address(patient.pk))
    context = {
        "form": form,
        "banner": patients.banner(patient),
        "patient": patient,
        "notes": selectors.handovers(patient.pk),
    }
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "assignments/handover.html", context)
