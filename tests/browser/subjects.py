"""Which patient, order or report of the demo clinic shows a page in its fullest state."""

from typing import Any

from django.db.models import Count, Q

from clinic.models import Patient
from screening.models import Screening, TechniqueResult

Found = dict[str, Any]


def fullest() -> Patient:
    """The patient on the caseload about whom most is recorded."""
    active = Patient.objects.filter(state="active")
    counted = active.annotate(
        screened=Count("screenings", distinct=True),
        ordered=Count("orders", filter=Q(orders__ended_at__isnull=True), distinct=True),
        treated=Count("treatments", distinct=True),
    )
    return counted.filter(screened__gt=0, treated__gt=0).order_by("-ordered", "-screened", "-treated", "pk")[
        0
    ]


def patient() -> Found:
    """The fullest patient."""
    return {"patient_id": fullest().pk}


def to_be_decided() -> Found:
    """A patient and a technique for which a clinician must decide."""
    waiting = TechniqueResult.objects.filter(
        result="clinician_must_decide", screening__ended_at__isnull=True, screening__patient__state="active"
    )
    found = waiting.select_related("screening").order_by("pk")[0]
    return {"patient_id": found.screening.patient_id, "technique": found.technique}


def screened_with_a_bar() -> Found:
    """A patient whose screening bars some technique."""
    barred = TechniqueResult.objects.filter(
        result="do_not_start", screening__ended_at__isnull=True, screening__patient__state="active"
    )
    return {"patient_id": barred.select_related("screening").order_by("pk")[0].screening.patient_id}


def earlier_screening() -> Found:
    """A screening that was replaced by a later one."""
    found = Screening.objects.filter(ended_at__isnull=False).order_by("pk")[0]
    return {"patient_id": found.patient_id, "screening_id": found.pk}
