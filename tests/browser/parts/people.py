"""Patients, referrals, what needs attention."""

from typing import Any

from clinic.models import Flag, Patient, Referral
from clinic.staff.roles import Role
from tests.browser.seen import Seen, open_everything, press


def with_isolation() -> dict[str, Any]:
    """A patient with an isolation note; in the empty clinic the one patient there is."""
    isolated = Patient.objects.filter(state="active", isolation_notes__ended_at__isnull=True)
    found = isolated.filter(isolation_notes__isnull=False).order_by("pk").first()
    return {"patient_id": (found or Patient.objects.earliest("pk")).pk}


def waiting_referral() -> dict[str, Any]:
    """The most urgent referral that nobody has decided on."""
    return {"referral_id": Referral.objects.filter(outcome="waiting").order_by("received_at", "pk")[0].pk}


def open_flag() -> dict[str, Any]:
    """Something about a patient that needs attention."""
    return {
        "flag_id": Flag.objects.filter(state="open", patient__isnull=False).order_by("due_at", "pk")[0].pk
    }


PAGES = [
    Seen("patients", Role.LEAD),
    Seen("patient-new", Role.LEAD, ready=open_everything, wrong=press("Register the patient")),
    Seen("patient-record", Role.LEAD, with_isolation, patient=True, ready=open_everything),
    Seen("patient-identity", Role.LEAD, with_isolation, patient=True, ready=open_everything),
    Seen("patient-details", Role.LEAD, with_isolation, patient=True),
    Seen("patient-isolation", Role.LEAD, with_isolation, patient=True),
    Seen("patient-goal", Role.LEAD, with_isolation, patient=True),
    Seen("patient-spo2-target", Role.LEAD, with_isolation, patient=True),
    Seen("patient-leaving", Role.LEAD, with_isolation, patient=True),
    Seen("patient-trail", Role.LEAD, with_isolation, patient=True, ready=open_everything),
    Seen("handover", Role.LEAD, with_isolation, patient=True),
    Seen("emergency-access", Role.THERAPIST),
    Seen("referrals", Role.LEAD),
    Seen("referral-new", Role.LEAD, ready=open_everything, wrong=press("Take the referral")),
    Seen("referral-for", Role.LEAD, with_isolation, patient=True),
    Seen("referral-upload", Role.LEAD, ready=open_everything),
    Seen("referral", Role.LEAD, waiting_referral, patient=True),
    Seen(
        "referral-correct",
        Role.LEAD,
        waiting_referral,
        patient=True,
        wrong=press("Store the correction"),
    ),
    Seen("attention", Role.LEAD),
    Seen("attention-flag", Role.LEAD, open_flag, patient=True),
]
EMPTY = [
    Seen("patient-record", Role.LEAD, with_isolation, patient=True),
    Seen("patient-trail", Role.LEAD, with_isolation, patient=True),
]
NOT_PAGES = {
    "attention-close",
    "attention-put-off",
    "attention-hand-on",
    "notice-answer",
    "referral-refused",
    "referral-decide",
}
