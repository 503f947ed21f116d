"""Writes units and the clinic's own settings, each change audited with the values before and after."""

import re
from datetime import datetime, time
from typing import Any, TypeVar

from django.db import models, transaction

from clinic.access import require
from clinic.audit import services as audit
from clinic.records import Refused
from clinic.staff.models import Person, StandardMinutes
from clinic.staff.roles import Role
from clinic.units import defaults
from clinic.units.models import CareSetting, CareSettingRule, ClinicNumber, Unit
from clinic.units.numbers import NUMBERS

SETTERS = (Role.ADMINISTRATOR, Role.LEAD)
Row = TypeVar("Row", bound=models.Model)
_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
MOST_REASSESSMENT = {"hours": 24 * 31, "days": 366, "weeks": 53, "months": 24}


@transaction.atomic
def add_unit(*, by: Person, name: str, care_setting: str, **fields: Any) -> Unit:
    """Add a unit. Raises: NotPermitted; Refused for a name in use, an unknown care setting, times out of order."""
    require(by, *SETTERS)
    unit = Unit(name=name.strip(), care_setting=care_setting, **fields)
    _check_unit(unit)
    unit.save(force_insert=True)
    audit.record(action="unit added", by=by, subject=unit, changed=["name", "care_setting", *sorted(fields)])
    return unit


@transaction.atomic
def change_unit(unit: Unit, *, by: Person, changes: dict[str, Any]) -> Unit:
    """Change a unit; unchanged fields are left out of the audit row."""
    require(by, *SETTERS)
    return _change(unit, by=by, changes=changes, action="unit changed", check=_check_unit)


@transaction.atomic
def set_reassessment(
    rule: CareSettingRule, *, by: Person, every: int, spell: str, source: str
) -> CareSettingRule:
    """Set how often patients in a care setting are looked at again, with where the number comes from."""
    require(by, *SETTERS)
    if spell not in MOST_REASSESSMENT:
        raise Refused("spell", "The spell must be hours, days, weeks or months.")
    if not 1 <= every <= MOST_REASSESSMENT[spell]:
        raise Refused("every", f"The interval must be between 1 and {MOST_REASSESSMENT[spell]} {spell}.")
    if not source.strip():
        raise Refused("source", "Enter where the number comes from.")
    changes = {"reassess_every": every, "reassess_every_spell": spell, "source": source.strip()}
    return _change(rule, by=by, changes=changes, action="reassessment interval changed")


@transaction.atomic
def set_standard_minutes(row: StandardMinutes, *, by: Person, minutes: int, source: str) -> StandardMinutes:
    """Set the true minutes of a technique or a task. Windows that are made already keep theirs."""
    require(by, *SETTERS)
    if not 1 <= minutes <= 240:
        raise Refused("minutes", "The minutes must be between 1 and 240.")
    changes = {"minutes": minutes, "source": source.strip()}
    return _change(row, by=by, changes=changes, action="standard minutes changed")


@transaction.atomic
def set_number(*, by: Person, name: str, value: int, reason: str) -> ClinicNumber:
    """Set one of the clinic's numbers. Raises: NotPermitted; Refused outside the range or without a reason."""
    require(by, *SETTERS)
    kind = NUMBERS.get(name)
    if kind is None:
        raise Refused("name", "There is no such number.")
    if not kind.low <= value <= kind.high:
        raise Refused("value", f"{kind.words} must be between {kind.low} and {kind.high} {kind.unit}.")
    if not reason.strip():
        raise Refused("reason", "Enter the reason for the change.")
    _check_bands(name, value)
    row = ClinicNumber.objects.filter(pk=name).first()
    before = kind.default if row is None else row.value
    row = row or ClinicNumber(name=name)
    row.value, row.reason = value, reason.strip()
    row.save()
    audit.record(
        action="number changed", by=by, subject=row, changed=[f"{name}: {before} to {value}"], reason=reason
    )
    return row


def _check_bands(name: str, value: int) -> None:
    from clinic.units.selectors import number

    low, high = "adherence_low_below_percent", "adherence_high_from_percent"
    if name == low and value >= number(high):
        raise Refused("value", f"Low must end below where high begins, {number(high)} %.")
    if name == high and value <= number(low):
        raise Refused("value", f"High must begin above where low ends, {number(low)} %.")


@transaction.atomic
def ensure_defaults() -> int:
    """Create what a new clinic starts with; what is there already, changed or not, is left alone.

    Returns: how many rows were created.
    """
    created = 0
    for rule in defaults.REASSESSMENT:
        created += CareSettingRule.objects.get_or_create(
            care_setting=rule.care_setting,
            defaults={
                "reassess_every": rule.every,
                "reassess_every_spell": rule.spell,
                "source": rule.source,
            },
        )[1]
    for row in defaults.STANDARD_MINUTES:
        created += StandardMinutes.objects.get_or_create(
            kind=row.kind, name=row.name, defaults={"minutes": row.minutes, "source": row.source}
        )[1]
    return created


def _change(row: Row, *, by: Person, changes: dict[str, Any], action: str, check: Any = None) -> Row:
    current = type(row)._default_manager.select_for_update().get(pk=row.pk)
    different = {name: value for name, value in changes.items() if getattr(current, name) != value}
    if not different:
        return current
    told = [
        f"{name}: {_plain(getattr(current, name))} to {_plain(value)}" for name, value in different.items()
    ]
    for name, value in different.items():
        setattr(current, name, value)
    if check is not None:
        check(current)
    current.save(update_fields=list(different))
    audit.record(action=action, by=by, subject=current, changed=told)
    return current


def _plain(value: Any) -> str:
    if isinstance(value, time):
        return f"{value:%H:%M}"
    return value.isoformat() if isinstance(value, datetime) else str(value)


def _check_unit(unit: Unit) -> None:
    if not unit.name.strip():
        raise Refused("name", "Enter the name of the unit.")
    if Unit.objects.filter(name__iexact=unit.name).exclude(pk=unit.pk).exists():
        raise Refused("name", "There is a unit of this name already.")
    if unit.care_setting not in CareSetting.values:
        raise Refused("care_setting", "Choose the care setting.")
    if not unit.wakes_at < unit.sleeps_at:
        raise Refused("sleeps_at", "The day must end after it begins.")
    meals = [unit.breakfast_at, unit.midday_meal_at, unit.evening_meal_at]
    if meals != sorted(meals) or len(set(meals)) != 3:
        raise Refused("midday_meal_at", "The meals must follow each other: breakfast, midday, evening.")
    _check_fixed_times(unit.fixed_times)


def _check_fixed_times(fixed: Any) -> None:
    """Times a day to as many clock times, each later than the one before."""
    if not isinstance(fixed, dict):
        raise Refused("fixed_times", "Fixed times must be given for each number of times a day.")
    for times_a_day, clocks in fixed.items():
        if not (str(times_a_day).isdigit() and 1 <= int(times_a_day) <= 24):
            raise Refused("fixed_times", "Times a day must be between 1 and 24.")
        if len(clocks) != int(times_a_day) or not all(_CLOCK.fullmatch(str(clock)) for clock in clocks):
            raise Refused("fixed_times", f"{times_a_day} times a day needs {times_a_day} times like 08:00.")
        if list(clocks) != sorted(set(clocks)):
            raise Refused("fixed_times", f"The times for {times_a_day} times a day must follow each other.")
