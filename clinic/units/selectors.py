"""Reads units and the clinic's own settings."""

from dataclasses import dataclass

from django.db.models import QuerySet

from clinic.staff.models import StandardMinutes
from clinic.units.defaults import MINUTES_WORDS
from clinic.units.models import CareSetting, CareSettingRule, ClinicNumber, Unit
from clinic.units.numbers import NUMBERS, NumberKind


def number(name: str) -> int:
    """The value of one of the clinic's numbers: its own, else the default. KeyError where there is none."""
    kind = NUMBERS[name]
    row = ClinicNumber.objects.filter(pk=name).values_list("value", flat=True).first()
    return kind.default if row is None else row


@dataclass(frozen=True)
class NumberInForce:
    """One of the clinic's numbers as it holds now."""

    kind: NumberKind
    value: int
    is_default: bool
    reason: str


def numbers_in_force() -> list[NumberInForce]:
    """All of the clinic's numbers, in one query."""
    rows = {row.name: row for row in ClinicNumber.objects.all()}
    return [
        NumberInForce(
            kind=kind,
            value=rows[name].value if name in rows else kind.default,
            is_default=name not in rows,
            reason=rows[name].reason if name in rows else "",
        )
        for name, kind in NUMBERS.items()
    ]


def units(*, in_use_only: bool = True) -> QuerySet[Unit]:
    """Units by name."""
    rows = Unit.objects.order_by("name", "id")
    return rows.filter(in_use=True) if in_use_only else rows


def care_setting_rules() -> list[CareSettingRule]:
    """How often patients are looked at again, in the order of the care settings."""
    order = list(CareSetting.values)
    return sorted(CareSettingRule.objects.all(), key=lambda rule: order.index(rule.care_setting))


def standard_minutes() -> dict[tuple[str, str], int]:
    """Minutes by (kind, name), kind being "technique" or "task"; in one query."""
    return {(row.kind, row.name): row.minutes for row in StandardMinutes.objects.all()}


@dataclass(frozen=True)
class MinutesInForce:
    """Standard minutes with the words for them."""

    row: StandardMinutes
    words: str


def standard_minutes_in_words() -> list[MinutesInForce]:
    """Standard minutes for the settings page: techniques first, then tasks."""
    order = list(MINUTES_WORDS)
    rows = [
        MinutesInForce(row, MINUTES_WORDS.get((row.kind, row.name), row.name))
        for row in StandardMinutes.objects.all()
    ]
    place = {key: index for index, key in enumerate(order)}
    return sorted(rows, key=lambda one: (place.get((one.row.kind, one.row.name), len(order)), one.row.pk))
