"""Stop limits of a patient, the scale of the saturation, the warning limits of an age band."""

from typing import Any

from clinic.models import Patient, SpO2Scale, StopLimits
from clinic.staff.roles import Role
from tests.browser.seen import Seen, press


def with_limits() -> dict[str, Any]:
    """A patient with stop limits of an earlier time and of now; in the empty clinic the one patient there is."""
    row = StopLimits.objects.filter(ended_at__isnull=True).order_by("-replaces", "pk").first()
    return {"patient_id": row.patient_id if row else Patient.objects.earliest("pk").pk}


def with_scale() -> dict[str, Any]:
    """A patient for whom the scale was decided; in the empty clinic the one patient there is."""
    row = SpO2Scale.objects.filter(ended_at__isnull=True).order_by("pk").first()
    return {"patient_id": row.patient_id if row else Patient.objects.earliest("pk").pk}


def a_childs_band() -> dict[str, Any]:
    """An age band for which the app has no number."""
    return {"band": "5-7"}


def the_adults() -> dict[str, Any]:
    """The one age band with numbers from the start."""
    return {"band": "adult"}


PAGES = [
    Seen("patient-stop-limits", Role.LEAD, with_limits, patient=True, wrong=press("Put the limits in force")),
    Seen("patient-spo2-scale", Role.LEAD, with_scale, patient=True),
    Seen("age-band-limits", Role.LEAD, the_adults),
    Seen(
        "age-band-limits",
        Role.LEAD,
        a_childs_band,
        called="age-band-limits-child",
        wrong=press("Put the limits in force"),
    ),
]
EMPTY = [
    Seen("patient-stop-limits", Role.LEAD, with_limits, patient=True),
    Seen("patient-spo2-scale", Role.LEAD, with_scale, patient=True),
    Seen("age-band-limits", Role.LEAD, a_childs_band),
]
