"""Wall time and spells of time: the two rules due windows and reassessments share. No Django."""

import calendar
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

SpellUnit = Literal["hours", "days", "weeks", "months"]


@dataclass(frozen=True)
class Spell:
    """A length of time as people say it: 72 hours are elapsed, 3 months are counted on the calendar."""

    count: int
    unit: SpellUnit


def instant_of(day: date, wall_time: time, zone: ZoneInfo) -> datetime:
    """The UTC instant of a wall time on a local date.

    A wall time in a gap moves to the gap's end; in a fold it takes the first of the two.
    Python's own reading of a wall time in a gap (PEP 495) shifts it by the gap's length instead.
    """
    wall = datetime.combine(day, wall_time.replace(fold=0))
    instant = wall.replace(tzinfo=zone).astimezone(UTC)
    if instant.astimezone(zone).replace(tzinfo=None) == wall:
        return instant
    return _end_of_gap(wall, zone)


def after(start: datetime, spell: Spell, zone: ZoneInfo) -> datetime:
    """The UTC instant one spell after ``start``.

    Hours are elapsed time. Days, weeks and months keep the wall time on the local calendar, and a month
    without that day ends on its last one (31-Jan plus one month is 28-Feb or 29-Feb).
    """
    if spell.unit == "hours":
        return start.astimezone(UTC) + timedelta(hours=spell.count)
    local = start.astimezone(zone)
    if spell.unit == "months":
        day = _months_later(local.date(), spell.count)
    else:
        day = local.date() + timedelta(days=spell.count * (7 if spell.unit == "weeks" else 1))
    return instant_of(day, local.time(), zone)


def to_the_minute(instant: datetime) -> datetime:
    """The instant without seconds, in UTC: due times are compared by the minute."""
    return instant.astimezone(UTC).replace(second=0, microsecond=0)


def _months_later(day: date, months: int) -> date:
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return date(year, month + 1, min(day.day, last))


def _end_of_gap(wall: datetime, zone: ZoneInfo) -> datetime:
    """The first instant after the gap in which the wall time falls, found to the minute by halving."""
    before = wall.replace(tzinfo=zone, fold=1).astimezone(UTC)
    behind = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    low, high = min(before, behind), max(before, behind)
    offset = low.astimezone(zone).utcoffset()
    while high - low > timedelta(seconds=1):
        middle = low + (high - low) / 2
        if middle.astimezone(zone).utcoffset() == offset:
            low = middle
        else:
            high = middle
    return high.replace(microsecond=0)
