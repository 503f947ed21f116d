"""When a person is present: shifts less breaks less absences, as stretches and in minutes. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, order=True)
class Stretch:
    """A stretch of time; the end does not belong to it."""

    start: datetime
    end: datetime

    @property
    def minutes(self) -> int:
        """Whole minutes of elapsed time."""
        return max(0, int((self.end - self.start).total_seconds() // 60))


def present(shifts: Iterable[Stretch], away: Iterable[Stretch]) -> list[Stretch]:
    """Take breaks and absences out of shifts.

    Args:
        shifts: when somebody is planned to be there; two that overlap count once.
        away: breaks and absences, in any order, overlapping as they may.
    Returns: what is left, in order of time, no two touching.
    """
    left = _joined(shifts)
    for gap in _joined(away):
        left = [part for stretch in left for part in _without(stretch, gap)]
    return left


def minutes_present(shifts: Iterable[Stretch], away: Iterable[Stretch]) -> int:
    """Minutes of presence: shifts less breaks less absences."""
    return sum(stretch.minutes for stretch in present(shifts, away))


def within(stretches: Iterable[Stretch], start: datetime, end: datetime) -> list[Stretch]:
    """Clip stretches to a day or any other span."""
    clipped = (Stretch(max(one.start, start), min(one.end, end)) for one in stretches)
    return [one for one in clipped if one.start < one.end]


def _joined(stretches: Iterable[Stretch]) -> list[Stretch]:
    joined: list[Stretch] = []
    for stretch in sorted(one for one in stretches if one.start < one.end):
        if joined and stretch.start <= joined[-1].end:
            joined[-1] = Stretch(joined[-1].start, max(joined[-1].end, stretch.end))
        else:
            joined.append(stretch)
    return joined


def _without(stretch: Stretch, gap: Stretch) -> list[Stretch]:
    before = Stretch(stretch.start, min(stretch.end, gap.start))
    after = Stretch(max(stretch.start, gap.end), stretch.end)
    return [part for part in (before, after) if part.start < part.end]
