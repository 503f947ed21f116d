"""The outcomes of a patient, the lists behind the figures, and reassessment."""

from typing import Any

from django.db.models import Count
from django.utils import timezone
from playwright.sync_api import Page

from clinic.models import Patient
from clinic.staff.roles import Role
from tests.browser.seen import Seen, open_everything
from therapy.models import Reassessment, TreatmentSession
from therapy.reports.services import current_week


def a_patient_with_sputum() -> dict[str, Any]:
    """The patient with the most measured sputum; in the empty clinic the one patient there is."""
    found = (
        TreatmentSession.objects.filter(sputum="measured")
        .values("patient")
        .annotate(number=Count("id"))
        .order_by("-number", "patient")
        .first()
    )
    return {"patient_id": found["patient"] if found else Patient.objects.earliest("pk").pk}


def a_reassessed_patient() -> dict[str, Any]:
    """A patient with reassessments."""
    row = (
        Reassessment.objects.filter(entered_in_error=False, patient__state="active")
        .order_by("at", "pk")
        .last()
    )
    return {"patient_id": row.patient_id if row else Patient.objects.earliest("pk").pk}


def a_reassessment() -> dict[str, Any]:
    """One of them."""
    row = Reassessment.objects.filter(entered_in_error=False, patient__state="active").latest("at", "pk")
    return {"patient_id": row.patient_id, "reassessment_id": row.pk}


def a_past_week() -> dict[str, Any]:
    """The week before this one."""
    return {"week": str(current_week(timezone.now()).shifted(-1))}


def send_empty(page: Page) -> None:
    """Press the button that names the patient, with nothing found and nothing chosen."""
    page.locator("main textarea[name=findings]").fill("")
    page.locator("main form[method=post] button[type=submit]").click()


PAGES = [
    Seen("patient-outcomes", Role.LEAD, a_patient_with_sputum, patient=True, ready=open_everything),
    Seen("figures-delivered", Role.MANAGER, a_past_week),
    Seen("figures-not-given", Role.MANAGER, a_past_week),
    Seen("reassessments-due", Role.LEAD),
    Seen("reassessments", Role.LEAD, a_reassessed_patient, patient=True),
    Seen("reassessment-new", Role.LEAD, a_reassessed_patient, patient=True, wrong=send_empty),
    Seen("reassessment-correct", Role.LEAD, a_reassessment, patient=True, wrong=send_empty),
]
EMPTY = [
    Seen("patient-outcomes", Role.LEAD, a_patient_with_sputum, patient=True),
    Seen("reassessments", Role.LEAD, a_reassessed_patient, patient=True),
    Seen("reassessment-new", Role.LEAD, a_reassessed_patient, patient=True),
]
NOT_PAGES = {"reassessments-flag"}
