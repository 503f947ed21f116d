"""What treatment was followed by: sputum of a day, medians over patients, and what may be compared."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise


class SputumState(StrEnum):
    """What is known about the sputum of one treatment."""

    MEASURED = "measured"
    NONE = "none"
    SWALLOWED = "swallowed"
    SUCTIONED = "suctioned"
    NOT_COLLECTED = "not_collected"
    SALIVA_ONLY = "saliva_only"


@dataclass(frozen=True)
class Sputum:
    """The sputum of one treatment: an amount in tenths of a millilitre or of a gram, never both."""

    state: SputumState
    volume_tenths_ml: int | None = None
    mass_tenths_g: int | None = None


@dataclass(frozen=True)
class SputumOfDay:
    """The sputum of one day: sums per unit, from how many treatments, and what could not be counted."""

    volume_tenths_ml: int | None
    mass_tenths_g: int | None
    counted: int
    sessions: int
    apart: dict[str, int] = field(default_factory=dict)


def sputum_of_day(sessions: Iterable[Sputum]) -> SputumOfDay:
    """Sum measured and "none produced" over the treatments of a day; millilitres and grams are never added.

    "None produced" counts as zero in the unit in which that day was measured (millilitres where nothing was).
    Swallowed, suctioned, not collected and saliva only are counted apart: they are unknown, not zero.
    """
    rows = list(sessions)
    volumes = [r.volume_tenths_ml for r in rows if r.volume_tenths_ml is not None and _counts(r)]
    masses = [r.mass_tenths_g for r in rows if r.mass_tenths_g is not None and _counts(r)]
    nones = sum(r.state is SputumState.NONE for r in rows)
    counted = sum(_counts(r) for r in rows)
    apart = {
        state.value: sum(r.state is state for r in rows)
        for state in SputumState
        if state not in (SputumState.MEASURED, SputumState.NONE)
    }
    return SputumOfDay(
        volume_tenths_ml=sum(volumes) if volumes or (nones and not masses) else None,
        mass_tenths_g=sum(masses) if masses else None,
        counted=counted,
        sessions=len(rows),
        apart={name: count for name, count in apart.items() if count},
    )


def _counts(row: Sputum) -> bool:
    measured = row.volume_tenths_ml is not None or row.mass_tenths_g is not None
    return row.state is SputumState.NONE or (row.state is SputumState.MEASURED and measured)


@dataclass(frozen=True)
class Quartiles:
    """Quartiles and median of patients' own medians, with how many patients and sessions.

    ``few`` marks a group below the least number of patients of which a median says something.
    """

    low: Fraction
    median: Fraction
    high: Fraction
    patients: int
    sessions: int
    few: bool


LEAST_PATIENTS = 5


def over_patients(
    values_by_patient: Iterable[Sequence[int]], *, least: int = LEAST_PATIENTS
) -> Quartiles | None:
    """Median and quartiles of the patients' own medians: patients are the unit, not treatments.

    Quartiles interpolate linearly between order statistics (definition 7 of Hyndman and Fan, Am Stat
    1996;50:361).
    """
    own = [values for values in values_by_patient if values]
    if not own:
        return None
    medians = sorted(quantile(sorted(map(Fraction, values)), Fraction(1, 2)) for values in own)
    return Quartiles(
        low=quantile(medians, Fraction(1, 4)),
        median=quantile(medians, Fraction(1, 2)),
        high=quantile(medians, Fraction(3, 4)),
        patients=len(own),
        sessions=sum(map(len, own)),
        few=len(own) < least,
    )


def quantile(ordered: Sequence[Fraction], share: Fraction) -> Fraction:
    """A quantile of values in ascending order, linear between neighbours."""
    position = share * (len(ordered) - 1)
    below = math.floor(position)
    if below + 1 >= len(ordered):
        return ordered[-1]
    return ordered[below] + (ordered[below + 1] - ordered[below]) * (position - below)


def response(before: int | None, after: int | None, *, comparable: bool) -> int | None:
    """After less before, in their unit; None where one is missing or they cannot be compared."""
    if before is None or after is None or not comparable:
        return None
    return after - before


def runs(points: Sequence[int | None]) -> list[tuple[int, int]]:
    """First and last index of each unbroken run of values: lines are drawn within these, never across."""
    edges = [-1] + [i for i, value in enumerate(points) if value is None] + [len(points)]
    return [(left + 1, right - 1) for left, right in pairwise(edges) if right - left > 1]
