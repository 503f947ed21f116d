"""The lists behind the figures of a week: patients by record number without name, and what was not given."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from clinic.access import require
from clinic.calendar import Week
from clinic.models import Patient, Person, Unit
from clinic.staff.roles import Role
from screening.table import current as current_table
from therapy.outcomes import rules, selectors
from therapy.outcomes.rules import NOT_DUE, ReasonGroup, WindowState
from therapy.outcomes.selectors import Counted
from therapy.scheduling.window_services import GUARD_HOLD, LEFT_CASELOAD, ORDER_HOLD
from therapy.sessions.rules import GROUP_WORDS, REASONS

READERS = (Role.LEAD, Role.MANAGER)
_BY_THE_CLOSING_JOB = {
    GUARD_HOLD: "On hold after screening",
    ORDER_HOLD: "Order on hold",
    LEFT_CASELOAD: "Left the caseload",
}


@dataclass(frozen=True)
class Chosen:
    """The filters of a list: unit and reason group, each perhaps not chosen."""

    unit: int | None = None
    group: str = ""

    @classmethod
    def of(cls, query: Mapping[str, str]) -> "Chosen":
        """Read the filters of a request; what is no unit or group is not chosen."""
        unit = query.get("unit", "")
        group = query.get("group", "")
        return cls(
            int(unit) if unit.isascii() and unit.isdigit() else None, group if group in GROUP_WORDS else ""
        )


@dataclass(frozen=True)
class PatientRow:
    """One patient's treatments of a week."""

    number: str
    unit: str
    figure: rules.Delivered
    figure_id: str

    @property
    def share(self) -> float | None:
        """Delivered of due, for showing."""
        return None if self.figure.share is None else float(self.figure.share)

    @property
    def adherence(self) -> float | None:
        """Patient adherence, for showing."""
        return None if self.figure.adherence is None else float(self.figure.adherence)


@dataclass(frozen=True)
class NotGivenRow:
    """One window that was not filled, or that was not due."""

    number: str
    unit: str
    technique: str
    earliest: datetime
    latest: datetime
    group: str
    reason: str
    due: bool


@dataclass(frozen=True)
class WeekList:
    """A list with the figure above it, counted from the same rows."""

    week: Week
    start: datetime
    end: datetime
    figure: rules.Delivered
    units: list[Unit]
    chosen: Chosen
    rows: list[Any]


def delivered_list(person: Person, week: Week, *, now: datetime, chosen: Chosen) -> WeekList:
    """Patients with what was due and given in a week, in the order of their numbers. Six queries."""
    found = _week(person, week, now, chosen)
    numbers = _numbers(found.rows)
    names = {unit.pk: unit.name for unit in found.units}
    figures = selectors.delivered_by(
        found.rows, lambda row: (row.patient_id, row.unit_id), start=found.start, end=found.end
    )
    rows = [
        PatientRow(
            numbers.get(patient, ""),
            names.get(unit or 0, "No unit recorded"),
            figure,
            f"delivered/patient/{patient}/{week}",
        )
        for (patient, unit), figure in figures.items()
    ]
    return _with(found, sorted(rows, key=lambda row: (row.number, row.unit)))


def not_given_list(person: Person, week: Week, *, now: datetime, chosen: Chosen) -> WeekList:
    """Each window of a week that was not given, with its reason, the earliest first. Six queries."""
    found = _week(person, week, now, chosen)
    kept = [
        row
        for row in found.rows
        if row.outcome.state is WindowState.NOT_DELIVERED
        and (not chosen.group or row.outcome.reason_group == chosen.group)
    ]
    numbers = _numbers(kept)
    names = {unit.pk: unit.name for unit in found.units}
    techniques = current_table().techniques
    rows = [
        NotGivenRow(
            number=numbers.get(row.patient_id, ""),
            unit=names.get(row.unit_id or 0, "No unit recorded"),
            technique=techniques.get(row.technique, row.technique),
            earliest=row.outcome.start,
            latest=row.outcome.end,
            group=GROUP_WORDS[row.outcome.reason_group or ReasonGroup.NOT_RECORDED],
            reason=reason_words(row.reason),
            due=row.outcome.reason_group not in NOT_DUE,
        )
        for row in kept
    ]
    return _with(found, sorted(rows, key=lambda row: (row.earliest, row.number)))


def reason_words(code: str) -> str:
    """A reason as pages show it."""
    known = REASONS.get(code)
    if known:
        return known.words
    return _BY_THE_CLOSING_JOB.get(code) or code.replace("_", " ").capitalize() or "Not recorded"


def _week(person: Person, week: Week, now: datetime, chosen: Chosen) -> WeekList:
    require(person, *READERS)
    start, end = week.bounds(selectors.clinic_zone())
    rows = selectors.counted_windows(
        selectors.figures_scope(person), start=start, end=min(end, max(now, start))
    )
    if chosen.unit is not None:
        rows = [row for row in rows if row.unit_id == chosen.unit]
    figure = selectors.delivered_of(rows, start=start, end=end)
    return WeekList(week, start, end, figure, list(Unit.objects.order_by("name", "id")), chosen, rows)


def _with(found: WeekList, rows: list[Any]) -> WeekList:
    return WeekList(found.week, found.start, found.end, found.figure, found.units, found.chosen, rows)


def _numbers(rows: Iterable[Counted]) -> dict[UUID, str]:
    """Record numbers only: a manager sees no name."""
    pairs = Patient.objects.filter(pk__in={row.patient_id for row in rows}).values_list(
        "pk", "identity__record_number"
    )
    return {pk: number or "" for pk, number in pairs}
