"""Reads what the numbers of a patient are held against, now or at an earlier time."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import TypeVar

from django.db.models import Q, QuerySet
from django.utils import timezone

from clinic.limits.models import AgeBandLimits, SpO2Scale, StopLimits
from clinic.limits.rules import (
    BAND_WORDS,
    LIMIT_FIELDS,
    AgeBand,
    BandLimits,
    Limits,
    Target,
    Watch,
    age_band,
    default_of,
)
from clinic.patients import selectors as patients
from clinic.patients.models import Patient, SpO2Target
from clinic.records import EpisodeModel

E = TypeVar("E", bound=EpisodeModel)


def in_force_at(rows: QuerySet[E], at: datetime | None) -> E | None:
    """Of the episodes of one thing the one in force, now or at an earlier time."""
    if at is None:
        return rows.filter(ended_at__isnull=True).first()
    then = rows.filter(Q(ended_at__isnull=True) | Q(ended_at__gt=at), started_at__lte=at)
    return then.order_by("-started_at", "-pk").first()


def limits_of(row: StopLimits | AgeBandLimits) -> Limits:
    """The stored numbers as the rules take them."""
    return Limits(**{name: getattr(row, name) for name in LIMIT_FIELDS})


def stop_limits(patient: Patient, at: datetime | None = None) -> StopLimits | None:
    """The stop limits of a patient; None means that none are set, there is no default."""
    return in_force_at(StopLimits.objects.filter(patient=patient).select_related("by"), at)


def spo2_scale(patient: Patient, at: datetime | None = None) -> SpO2Scale | None:
    """The decision on the scale of the saturation; None where nobody has decided, which is scale 1."""
    return in_force_at(SpO2Scale.objects.filter(patient=patient).select_related("by"), at)


def band_limits(band: AgeBand, at: datetime | None = None) -> BandLimits:
    """The warning limits of an age band: the clinic's own, else what holds without."""
    row = in_force_at(AgeBandLimits.objects.filter(band=band.value), at)
    return default_of(band) if row is None else _of_band(row)


def watch(patient: Patient, at: datetime | None = None) -> Watch:
    """Everything that this patient's numbers are held against, as of now or of an earlier time. Three queries."""
    return watch_by(patient, patients.spo2_target(patient, at), stop_limits(patient, at), at)


def watch_by(
    patient: Patient, target: SpO2Target | None, own: StopLimits | None, at: datetime | None = None
) -> Watch:
    """The same where target range and stop limits have been read already. One query."""
    on = timezone.localdate(at) if at is not None else timezone.localdate()
    return Watch(
        target=Target(target.low_percent, target.high_percent, target.stop_below_percent) if target else None,
        range_set=target is not None,
        stop=limits_of(own) if own else None,
        band=band_limits(age_band(age_years(patient, on)), at),
    )


def age_years(patient: Patient, on: date) -> int:
    """Whole years of age; by the birth year alone once the identity was erased (the youngest it can be)."""
    identity = getattr(patient, "identity", None)
    if identity is None:
        return max(on.year - patient.birth_year - 1, 0)
    born: date = identity.birth_date
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))


@dataclass(frozen=True)
class BandInForce:
    """One age band for the settings page."""

    band: AgeBand
    words: str
    parts: list[str]
    source: str
    is_default: bool


def bands_in_force() -> list[BandInForce]:
    """Every age band with its limits, in one query."""
    rows = {row.band: row for row in AgeBandLimits.objects.filter(ended_at__isnull=True)}
    return [_in_words(band, rows.get(band.value)) for band in AgeBand]


def earlier(rows: QuerySet[E]) -> Iterable[E]:
    """Ended episodes, the newest first."""
    return rows.filter(ended_at__isnull=False).order_by("-started_at", "-pk")


def _of_band(row: AgeBandLimits) -> BandLimits:
    limits = limits_of(row)
    return BandLimits(AgeBand(row.band), limits if limits.any_set else None, row.reason)


def _in_words(band: AgeBand, row: AgeBandLimits | None) -> BandInForce:
    found = default_of(band) if row is None else _of_band(row)
    parts = found.limits.parts() if found.limits is not None else []
    words = BAND_WORDS[band]
    return BandInForce(band, words[:1].upper() + words[1:], parts, found.source, is_default=row is None)
