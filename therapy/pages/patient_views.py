"""The patient page."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from clinic.access import Role, allow
from clinic.audit import services as audit
from clinic.patients import selectors as patients
from therapy.pages import patient_page


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def patient(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """One patient at a glance; that it was read is audited."""
    found, now = patients.patient(request.user, patient_id), timezone.now()
    audit.record(action="patient page read", by=request.user, subject=found, patient=found)
    context = {
        "patient": found,
        "banner": patients.banner(found),
        "shown": patient_page.of(request.user, found, now),
        **patient_page.outcomes_of(found, now),
    }
    return render(request, "pages/patient.html", context)
