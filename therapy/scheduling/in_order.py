"""Puts a therapist's due windows one after the other into the time that is free. Pure.

Not a solver: the window that closes first is served first, at the first moment that suits patient and
therapist. What does not fit is named with the reason, for a person to decide.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

STEP = timedelta(minutes=5)


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """A stretch of time, its end excluded."""

    start: datetime
    end: datetime

    def overlaps(self, other: "Span") -> bool:
        return self.start < other.end and other.start < self.end


@dataclass(frozen=True, slots=True)
class Wanted:
    """One window to be served: it may begin from ``earliest`` to ``latest`` and takes ``minutes``.

    ``minutes_apart`` are kept free between this visit and the therapist's others: the way, set-up, notes.
    """

    id: UUID
    patient: UUID
    earliest: datetime
    latest: datetime
    minutes: int
    minutes_apart: int = 0


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a window was put."""

    id: UUID
    span: Span


def free_time(present: Iterable[Span], taken: Iterable[Span]) -> list[Span]:
    """What is left of the time somebody is present, less breaks, absence and visits."""
    blocks = sorted(taken)
    free = []
    for span in sorted(present):
        start = span.start
        for block in blocks:
            if not block.overlaps(Span(start, span.end)) or start >= span.end:
                continue
            if block.start > start:
                free.append(Span(start, block.start))
            start = max(start, block.end)
        if start < span.end:
            free.append(Span(start, span.end))
    return free


def place_in_order(
    wanted: Sequence[Wanted],
    free: Sequence[Span],
    *,
    patients_taken: Mapping[UUID, Sequence[Span]],
) -> tuple[list[Placed], list[UUID]]:
    """Serve windows by their last start.

    Args:
        free: when the therapist is free.
        patients_taken: when each patient has something else already.
    Returns: what was placed, in order of time, and the ids of what found no place.
    """
    mine: list[Span] = []
    of_patients = {patient: list(spans) for patient, spans in patients_taken.items()}
    placed: list[Placed] = []
    left: list[UUID] = []
    for each in sorted(wanted, key=lambda one: (one.latest, one.earliest, str(one.id))):
        span = _first_start(each, free, mine, of_patients.get(each.patient, []))
        if span is None:
            left.append(each.id)
            continue
        placed.append(Placed(each.id, span))
        mine.append(span)
        of_patients.setdefault(each.patient, []).append(span)
    return sorted(placed, key=lambda one: one.span), left


def _first_start(
    wanted: Wanted, free: Sequence[Span], mine: Sequence[Span], patients: Sequence[Span]
) -> Span | None:
    length, way = timedelta(minutes=wanted.minutes), timedelta(minutes=wanted.minutes_apart)
    for stretch in free:
        start = _rounded_up(max(stretch.start, wanted.earliest))
        while start <= wanted.latest and start + length <= stretch.end:
            visit = Span(start, start + length)
            near = [Span(other.start - way, other.end + way) for other in mine]
            blocks = [block for block in (*near, *patients) if block.overlaps(visit)]
            if not blocks:
                return visit
            start = _rounded_up(max(block.end for block in blocks))
    return None


def _rounded_up(moment: datetime) -> datetime:
    """The next full five minutes: times that a person would write."""
    hour = moment.replace(minute=0, second=0, microsecond=0)
    steps = -(-(moment - hour) // STEP)
    return hour + steps * STEP
