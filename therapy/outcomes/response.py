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


class SputumUnit(StrEnum):
    """In what sputum is measured: by the pot or on the scale."""

    ML = "mL"
    G = "g"


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


def units_measured(sessions: Iterable[Sputum]) -> frozenset[SputumUnit]:
    """The units in which any of these treatments was measured: usually one, none where nothing was."""
    rows = [row for row in sessions if row.state is SputumState.MEASURED]
    return frozenset(
        unit
        for unit, known in (
            (SputumUnit.ML, any(row.volume_tenths_ml is not None for row in rows)),
            (SputumUnit.G, any(row.mass_tenths_g is not None for row in rows)),
        )
        if known
    )


def sputum_of_day(sessions: Iterable[Sputum], *, units: frozenset[SputumUnit]) -> SputumOfDay:
    """Sum measured and "none produced" over the treatments of a day; millilitres and grams are never added.

    "None produced" counts as zero in the unit in which that day was measured; on a day without a measurement, in
    each of ``units``. Without either its zero has no unit: no sum, and "none" stands apart. Swallowed,
    suctioned, not collected and saliva only always stand apart: they are unknown, not zero.

    Args:
        units: in what the patient is measured over the range, as ``units_measured`` finds it.
    """
    rows = list(sessions)
    measured = units_measured(rows)
    nones = sum(row.state is SputumState.NONE for row in rows)
    shown = measured or (units if nones else frozenset())
    apart = {
        state.value: sum(row.state is state for row in rows)
        for state in SputumState
        if state is not SputumState.MEASURED and not (state is SputumState.NONE and shown)
    }
    known = [row for row in rows if row.state is SputumState.MEASURED]
    return SputumOfDay(
        volume_tenths_ml=sum(r.volume_tenths_ml or 0 for r in known) if SputumUnit.ML in shown else None,
        mass_tenths_g=sum(r.mass_tenths_g or 0 for r in known) if SputumUnit.G in shown else None,
        counted=sum(bool(units_measured([row])) for row in known) + (nones if shown else 0),
        sessions=len(rows),
        apart={name: count for name, count in apart.items() if count},
    )


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
