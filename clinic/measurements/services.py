"""Writes values that are taken together apart from a treatment, and strikes a set that was entered in error."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from clinic import records
from clinic.access import CLINICAL, NotPermitted, patients_visible_to, require
from clinic.audit import services as audit
from clinic.ids import new_id
from clinic.measurements import kinds
from clinic.measurements.models import Consciousness, Measurement, MeasurementSet, OxygenDevice, SetKind
from clinic.patients.models import Patient
from clinic.records import Refused
from clinic.staff.models import Person

# A clock may be a little ahead of the server's.
CLOCK_TOLERANCE = timedelta(minutes=1)


@dataclass(frozen=True)
class Value:
    """One value in the stored unit of its kind; SpO2 with the oxygen it was measured on."""

    kind: str
    value: int
    oxygen_device: str = ""
    oxygen_flow_ml_per_min: int | None = None
    fio2_percent: int | None = None
    confirmed_reason: str = ""


@transaction.atomic
def take(
    *,
    by: Person,
    patient: Patient,
    kind: SetKind,
    measured_at: datetime,
    values: Sequence[Value],
    consciousness: str = "",
    pregnant: bool | None = None,
    set_id: UUID | None = None,
) -> MeasurementSet:
    """Store values taken together. Sent again under the same id, the stored set comes back.

    Raises: NotPermitted; Refused for a value that cannot be true, SpO2 without its oxygen, a time in the future, or
        a set without any value.
    """
    _openable(patient.pk, by)
    if set_id is not None and (stored := MeasurementSet.objects.filter(pk=set_id, patient=patient).first()):
        return stored
    if measured_at > timezone.now() + CLOCK_TOLERANCE:
        raise Refused("measured_at", "When it was measured must be now or in the past")
    if not values and not consciousness:
        raise Refused("values", "Enter at least one value")
    if consciousness and consciousness not in Consciousness.values:
        raise Refused("consciousness", "Choose the consciousness")
    for each in values:
        _check(each)
    row = MeasurementSet.objects.create(
        id=set_id or new_id(), patient=patient, kind=kind, measured_at=measured_at, by=by,
        consciousness=consciousness, pregnant=pregnant,
    )  # fmt: skip
    for each in values:
        Measurement.objects.create(
            patient=patient, taken_with=row, kind=each.kind, value=each.value, measured_at=measured_at, by=by,
            oxygen_device=each.oxygen_device, oxygen_flow_ml_per_min=each.oxygen_flow_ml_per_min,
            fio2_percent=each.fio2_percent, confirmed_reason=each.confirmed_reason,
        )  # fmt: skip
    audit.record(
        action=f"{SetKind(kind).label} recorded",
        by=by,
        subject=row,
        patient=patient,
        changed=sorted(each.kind for each in values),
    )
    return row


@transaction.atomic
def strike(row: MeasurementSet, *, by: Person, reason: str, expect_version: int) -> MeasurementSet:
    """Strike a set as entered in error, with every value in it; it stays readable, and nothing counts it.

    Raises: NotPermitted; Refused without a reason or where it is struck already; records.Changed.
    """
    _openable(row.patient_id, by)
    if row.entered_in_error:
        raise Refused("reason", "It is struck already")
    gone = {"entered_in_error": True}
    struck = records.amend(row, by=by, reason=reason, changes=gone, expect_version=expect_version)
    for each in Measurement.objects.filter(taken_with=row, entered_in_error=False).order_by("id"):
        records.amend(each, by=by, reason=reason, changes=gone, expect_version=each.version)
    return struck


def _check(given: Value) -> None:
    try:
        kinds.check(given.kind, given.value)
    except kinds.OutOfRangeError as error:
        raise Refused(given.kind, str(error)) from error
    amounts = [given.oxygen_flow_ml_per_min, given.fio2_percent]
    if given.kind != "spo2_percent":
        if given.oxygen_device or any(each is not None for each in amounts):
            raise Refused("oxygen_device", "Oxygen stands with SpO2 only")
        return
    if given.oxygen_device not in OxygenDevice.values:
        raise Refused("oxygen_device", "Choose the oxygen: SpO2 cannot be read without it")
    if given.oxygen_device in (OxygenDevice.AIR, OxygenDevice.UNKNOWN):
        if any(each is not None for each in amounts):
            raise Refused("oxygen_flow", "On air, or where the oxygen is not known, there is no flow")
    elif all(each is None for each in amounts):
        raise Refused("oxygen_flow", "Enter the flow or the FiO2")


def _openable(patient_id: UUID, by: Person) -> None:
    require(by, *CLINICAL)
    if not patients_visible_to(by).filter(pk=patient_id).exists():
        raise NotPermitted("Only whoever treats the patient, and the lead.")
