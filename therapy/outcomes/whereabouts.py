"""Where each patient was when, and whether still here: the patient's record with its superseded states."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from clinic.audit.models import RecordVersion
from clinic.patients.models import Patient, PatientState
from clinic.units.models import Unit

_LEFT = (PatientState.DISCHARGED, PatientState.DIED)


@dataclass(frozen=True)
class Stay:
    """A patient's unit up to ``until``; None is the present one."""

    unit_id: int | None
    until: datetime | None


class Whereabouts:
    """Unit, care setting and state of each patient at any time, in three queries however many patients there are."""

    def __init__(self, patients: QuerySet[Patient]) -> None:
        self._stays: dict[UUID, list[Stay]] = {}
        # Each state with when it began, in the order written, the last first: a later entry knows better.
        self._states: dict[UUID, list[tuple[str, datetime]]] = {}
        for pk, unit, state, since in patients.order_by().values_list(
            "pk", "unit_id", "state", "state_since"
        ):
            self._stays[pk] = [Stay(unit, None)]
            self._states[pk] = [(state, since)]
        past = RecordVersion.objects.filter(
            subject_type=Patient._meta.label_lower, subject_id__in=[str(pk) for pk in self._stays]
        )
        for row in past.order_by("subject_id", "-number").values("subject_id", "values", "at"):
            patient_id = UUID(row["subject_id"])
            self._states[patient_id].append(_state_in(row["values"]))
            stays = self._stays[patient_id]
            unit_id = _unit_in(row["values"])
            if unit_id != stays[0].unit_id:
                stays.insert(0, Stay(unit_id, row["at"]))
        self.units: dict[int, Unit] = {unit.pk: unit for unit in Unit.objects.order_by("name", "id")}

    def unit_id(self, patient_id: UUID, at: datetime) -> int | None:
        """The unit at an instant; None where the patient was in none, or is not known."""
        stays = self._stays.get(patient_id, ())
        return next((stay.unit_id for stay in stays if stay.until is None or at < stay.until), None)

    def care_setting(self, patient_id: UUID, at: datetime) -> str | None:
        """The care setting of that unit."""
        unit = self.units.get(self.unit_id(patient_id, at) or 0)
        return unit.care_setting if unit else None

    def had_left(self, patient_id: UUID, at: datetime) -> bool:
        """Whether the patient had been discharged or had died by an instant, whatever became of them since."""
        states = self._states.get(patient_id, ())
        return next((state in _LEFT for state, since in states if since <= at), False)

    def moves(self, patient_id: UUID) -> list[tuple[datetime, str]]:
        """Each change of unit with the care setting the patient came to, oldest first."""
        stays = self._stays.get(patient_id, [])
        pairs = pairwise(stays)
        return [
            (left.until, self.units[right.unit_id].care_setting)
            for left, right in pairs
            if left.until is not None and right.unit_id in self.units and right.unit_id is not None
        ]


def _state_in(values: Mapping[str, Any]) -> tuple[str, datetime]:
    return values["state"], datetime.fromisoformat(values["state_since"])


def _unit_in(values: Mapping[str, Any]) -> int | None:
    unit_id = values.get("unit_id")
    return None if unit_id is None else int(unit_id)
