"""The figures of the service: treatments delivered, patient adherence, shares with their interval, bands.

Everything is counted exactly (integers and fractions) and rounded only where it is shown, so that a band or a
share never depends on how a number happened to be stored.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from fractions import Fraction
from statistics import NormalDist

from clinic.calculation import NotCalculable

# The two-sided 95 % point of the standard normal distribution, 1.959964.
_Z = NormalDist().inv_cdf(0.975)


class WindowState(StrEnum):
    """What became of one due window."""

    FULL = "full"
    PART = "part"
    NOT_DELIVERED = "not_delivered"
    CANCELLED = "cancelled"
    OPEN = "open"


class ReasonGroup(StrEnum):
    """Whose reason it was that a treatment was not given."""

    PATIENT = "patient"
    SERVICE = "service"
    CLINICAL = "clinical"
    AWAY = "away"
    NOT_RECORDED = "not_recorded"


NEVER_DUE = (WindowState.CANCELLED, WindowState.OPEN)
NOT_DUE = (ReasonGroup.CLINICAL, ReasonGroup.AWAY)
NOT_THE_PATIENTS = (ReasonGroup.SERVICE, ReasonGroup.NOT_RECORDED)


@dataclass(frozen=True)
class WindowOutcome:
    """One due window and what became of it.

    ``sets_ordered`` and ``sets_done`` are the dose in the unit the technique has: sets, or minutes,
    positions or cycles where there are no sets. Only a part treatment needs them.
    """

    start: datetime
    end: datetime
    state: WindowState
    reason_group: ReasonGroup | None = None
    sets_ordered: int | None = None
    sets_done: int | None = None


@dataclass(frozen=True)
class Proportion:
    """A share of trials with its Wilson 95 % interval (score interval, Wilson 1927), all between 0 and 1."""

    share: Fraction
    wilson_low: float
    wilson_high: float


@dataclass(frozen=True)
class Interval:
    """The two ends of an interval, between 0 and 1."""

    low: float
    high: float


@dataclass(frozen=True)
class Delivered:
    """Treatments delivered and patient adherence over one stretch of time, always with their counts.

    ``share`` is delivered / due; ``adherence`` is the same with the service's own failures and unrecorded
    windows taken out of due (``adherence_due``). Both are None where nothing was due. ``wilson`` belongs to
    full / due and is not adjusted for repeated measures in one patient. ``excluded`` counts what was not
    due, ``not_delivered`` what was due and was not given, by reason group.
    """

    due: int
    full: int
    part: int
    delivered: Fraction
    share: Fraction | None
    adherence: Fraction | None
    adherence_due: int
    wilson: Interval | None
    excluded: dict[str, int] = field(default_factory=dict)
    not_delivered: dict[str, int] = field(default_factory=dict)


def delivered(windows: Iterable[WindowOutcome], *, start: datetime, end: datetime) -> Delivered:
    """Count what was delivered of what was due in the windows that end in [start, end).

    Due are the windows whose end lies in the range, less the reason groups clinical and away; cancelled and
    open windows are never due. Delivered are the full ones plus the fraction of the ordered dose done, at
    most 1, for those given in part. A reason group stands by its window whatever the state: a treatment
    broken off for a clinical reason is not held against anyone.

    Raises:
        NotCalculable: the range is empty or reversed, a part treatment has no dose, or one that was not
        delivered
            has no reason group.
    """
    if end <= start:
        raise NotCalculable(
            "/to", "inconsistent", "The range must end after it begins.", allowed="after /from"
        )
    full = part = adherence_due = 0
    given = adherent = Fraction(0)
    excluded = {state.value: 0 for state in NEVER_DUE} | {group.value: 0 for group in NOT_DUE}
    missed = {group.value: 0 for group in ReasonGroup if group not in NOT_DUE}
    for index, window in enumerate(windows):
        if not start <= window.end < end:
            continue
        if window.end < window.start:
            raise NotCalculable(
                f"/windows/{index}/end",
                "inconsistent",
                "A window must end after it starts.",
                allowed="after start",
            )
        amount = _amount(window, index)
        if window.state in NEVER_DUE:
            excluded[window.state] += 1
            continue
        group = window.reason_group
        if group in NOT_DUE:
            excluded[group] += 1
            continue
        full += window.state is WindowState.FULL
        part += window.state is WindowState.PART
        given += amount
        if group is not None and window.state is WindowState.NOT_DELIVERED:
            missed[group] += 1
        if group not in NOT_THE_PATIENTS:
            adherence_due += 1
            adherent += amount
    due = full + part + sum(missed.values())
    return Delivered(
        due=due,
        full=full,
        part=part,
        delivered=given,
        share=given / due if due else None,
        adherence=adherent / adherence_due if adherence_due else None,
        adherence_due=adherence_due,
        wilson=_interval(full, due),
        excluded=excluded,
        not_delivered=missed,
    )


def proportion(successes: int, trials: int) -> Proportion:
    """The share of trials that succeeded and its Wilson 95 % interval.

    Source: E. B. Wilson, Probable inference, the law of succession, and statistical inference, J Am Stat
    Assoc 1927;22:209, without continuity correction.

    Raises:
        NotCalculable: no trial, or more successes than trials.
    """
    if trials < 1:
        raise NotCalculable(
            "/trials", "out_of_range", "Nothing was due: no share.", allowed="1..", got=trials
        )
    if not 0 <= successes <= trials:
        raise NotCalculable(
            "/successes",
            "inconsistent",
            "There cannot be more successes than trials.",
            allowed=f"0..{trials}",
            got=successes,
        )
    share = successes / trials
    scale = 1 + _Z**2 / trials
    centre = (share + _Z**2 / (2 * trials)) / scale
    half = _Z / scale * math.sqrt(share * (1 - share) / trials + _Z**2 / (4 * trials**2))
    return Proportion(
        share=Fraction(successes, trials),
        wilson_low=0.0 if successes == 0 else centre - half,
        wilson_high=1.0 if successes == trials else centre + half,
    )


def _interval(successes: int, trials: int) -> Interval | None:
    if not trials:
        return None
    found = proportion(successes, trials)
    return Interval(found.wilson_low, found.wilson_high)


def _amount(window: WindowOutcome, index: int) -> Fraction:
    """How much of the ordered dose was given, from 0 to 1."""
    at = f"/windows/{index}"
    if window.state is WindowState.FULL:
        if window.reason_group is not None:
            raise NotCalculable(
                f"{at}/reason_group",
                "inconsistent",
                "A treatment given in full has no reason for not being given.",
                allowed="null",
                got=window.reason_group.value,
            )
        return Fraction(1)
    if window.state is WindowState.PART:
        return dose_fraction(window.sets_ordered, window.sets_done, at=at)
    if window.state is WindowState.NOT_DELIVERED and window.reason_group is None:
        raise NotCalculable(
            f"{at}/reason_group",
            "missing",
            "Whether a treatment that was not given was due depends on the reason.",
            allowed=", ".join(ReasonGroup),
        )
    return Fraction(0)


def dose_fraction(ordered: int | None, done: int | None, *, at: str = "") -> Fraction:
    """The fraction of the ordered dose that was done, at most 1."""
    if ordered is None:
        raise NotCalculable(f"{at}/sets_ordered", "missing", "A part treatment needs what was ordered.")
    if done is None:
        raise NotCalculable(f"{at}/sets_done", "missing", "A part treatment needs what was done.")
    if ordered < 1:
        raise NotCalculable(
            f"{at}/sets_ordered", "out_of_range", "An ordered dose is at least 1.", allowed="1..", got=ordered
        )
    return min(Fraction(done, ordered), Fraction(1))


class Band(StrEnum):
    """How much of the ordered treatment was done. Printed bands leave gaps; these do not (a setting)."""

    LOW = "low"
    MODERATE = "moderate"
    HIGH = "high"


@dataclass(frozen=True)
class BandLimits:
    """Lower ends of two bands in per cent: [0,35), [35,80), [80,...) unless the clinic sets others."""

    moderate_from_percent: int = 35
    high_from_percent: int = 80


def band(share: Fraction, limits: BandLimits | None = None) -> Band:
    """The band of an unrounded share: 79.96 % is moderate, however it is printed."""
    limits = limits or BandLimits()
    percent = share * 100
    if percent >= limits.high_from_percent:
        return Band.HIGH
    return Band.MODERATE if percent >= limits.moderate_from_percent else Band.LOW


@dataclass(frozen=True)
class IndependentSets:
    """What the patient reports having done alone of what was ordered; may exceed 1, never clamped."""

    done: int
    ordered: int
    share: Fraction | None
    days_reported: int
    days_empty: int


def independent_sets(days: Iterable[tuple[int, int | None]]) -> IndependentSets:
    """Add up (sets ordered, sets reported or None) by day.

    An empty diary day is not a zero and counts nowhere.
    """
    rows = list(days)
    reported = [(ordered, done) for ordered, done in rows if done is not None]
    ordered, done = sum(row[0] for row in reported), sum(row[1] for row in reported)
    return IndependentSets(
        done=done,
        ordered=ordered,
        share=Fraction(done, ordered) if ordered else None,
        days_reported=len(reported),
        days_empty=len(rows) - len(reported),
    )
