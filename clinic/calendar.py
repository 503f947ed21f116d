"""Wall time and spells of time: the two rules due windows and reassessments share. No Django."""

import calendar
import re
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


@dataclass(frozen=True, order=True)
class Week:
    """An ISO 8601 week: Monday to Sunday, named like 2026-W47."""

    year: int
    number: int

    @classmethod
    def of(cls, day: date) -> "Week":
        """The week in which a date lies."""
        year, number, _ = day.isocalendar()
        return cls(year, number)

    @classmethod
    def parse(cls, name: str) -> "Week":
        """The week of a name like 2026-W47. Raises: ValueError for any other text."""
        found = re.fullmatch(r"(\d{4})-W(\d{2})", name)
        if found is None:
            raise ValueError(f"{name!r} is not a week like 2026-W47")
        week = cls(int(found[1]), int(found[2]))
        if cls.of(week.first_day) != week:
            raise ValueError(f"{name!r} is not a week of that year")
        return week

    @property
    def first_day(self) -> date:
        """Its Monday."""
        return date.fromisocalendar(self.year, self.number, 1)

    @property
    def last_day(self) -> date:
        """Its Sunday."""
        return self.first_day + timedelta(days=6)

    def shifted(self, weeks: int) -> "Week":
        """The week so many weeks later, or earlier where negative."""
        return self.of(self.first_day + timedelta(weeks=weeks))

    def bounds(self, zone: ZoneInfo) -> tuple[datetime, datetime]:
        """The UTC instants of its first midnight and of the next week's."""
        start = instant_of(self.first_day, time(0), zone)
        return start, instant_of(self.first_day + timedelta(days=7), time(0), zone)

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"


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
