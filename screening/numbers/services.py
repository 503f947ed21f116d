"""Writes vital signs, a measured exhalation, and forced breathing tests with the list that is asked before them."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from django.db import transaction

from clinic.measurements import services as measurements
from clinic.measurements.models import MeasurementSet, SetKind
from clinic.measurements.services import Value
from clinic.patients.models import Patient
from clinic.records import Refused
from clinic.staff.models import Person
from screening.numbers import forced
from screening.numbers.models import ForcedTestCheck

VITAL_SIGNS = (
    "respiratory_rate_per_min", "spo2_percent", "systolic_mmhg", "pulse_per_min", "temperature_tenths_c",
)  # fmt: skip
EXHALATION = ("exhaled_volume_ml", "exhalation_time_tenths_s")
COUGH_FLOW = ("peak_cough_flow_l_per_min", "peak_cough_flow_ml_per_s")
FORCED = (*COUGH_FLOW, "peak_expiratory_flow_l_per_min", "fev1_ml", "fvc_ml")


def record_vital_signs(
    *,
    by: Person,
    patient: Patient,
    measured_at: datetime,
    values: Sequence[Value],
    consciousness: str = "",
    pregnant: bool | None = None,
    set_id: UUID | None = None,
) -> MeasurementSet:
    """Store one set of vital signs, complete or not; a score is only shown for a complete one.

    Raises: NotPermitted; Refused.
    """
    _only(values, VITAL_SIGNS)
    return measurements.take(
        by=by, patient=patient, kind=SetKind.VITAL_SIGNS, measured_at=measured_at, values=values,
        consciousness=consciousness, pregnant=pregnant, set_id=set_id,
    )  # fmt: skip


def record_exhalation(
    *,
    by: Person,
    patient: Patient,
    measured_at: datetime,
    values: Sequence[Value],
    set_id: UUID | None = None,
) -> MeasurementSet:
    """Store an exhaled volume with its time; the range that follows is derived.

    Raises: NotPermitted; Refused where one of the two is missing: time alone gives no flow.
    """
    _only(values, EXHALATION)
    for name in EXHALATION:
        if name not in {each.kind for each in values}:
            raise Refused(name, "A range needs a measured volume and a measured time")
    return measurements.take(
        by=by, patient=patient, kind=SetKind.EXHALATION, measured_at=measured_at, values=values, set_id=set_id
    )


@transaction.atomic
def record_forced_test(
    *,
    by: Person,
    patient: Patient,
    measured_at: datetime,
    values: Sequence[Value],
    answers: Mapping[str, str],
    reason: str = "",
    set_id: UUID | None = None,
) -> MeasurementSet:
    """Store a forced breathing test with the answers to its list.

    Args:
        answers: yes, no or unknown by row of the list; a row left out counts as unknown.
        reason: of the licensed clinician, where a row is answered yes or is not known.
    Raises: NotPermitted; Refused where the list wants a licensed clinician's decision and there is none.
    """
    _only(values, FORCED)
    if not values:
        raise Refused("values", "Enter at least one value")
    if {each.kind for each in values} >= set(COUGH_FLOW):
        raise Refused("cough_flow", "A peak cough flow is entered once, in L/min or in L/s")
    found = forced.outcome(answers)
    if found.clinician_must_decide:
        if not by.licensed:
            words = "The list found something, or something is not known: a licensed clinician must decide"
            raise Refused("reason", words)
        if not reason.strip():
            raise Refused("reason", "Enter why the test is done all the same")
    row = measurements.take(
        by=by, patient=patient, kind=SetKind.FORCED, measured_at=measured_at, values=values, set_id=set_id
    )
    if not ForcedTestCheck.objects.filter(taken_with=row).exists():
        ForcedTestCheck.objects.create(
            patient=patient,
            taken_with=row,
            list_version=forced.VERSION,
            answers={each.key: answers.get(each.key, forced.UNKNOWN) for each in forced.rows()},
            by=by,
            decided_by=by if found.clinician_must_decide else None,
            reason=reason.strip() if found.clinician_must_decide else "",
        )
    return row


def _only(values: Sequence[Value], kinds: Sequence[str]) -> None:
    if strange := [each.kind for each in values if each.kind not in kinds]:
        raise Refused(strange[0], "This is not measured here.")
