"""Writes limits: a patient's stop limits, an age band's warning limits, the scale on which SpO2 is scored."""

from collections.abc import Mapping
from typing import TypeVar

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from clinic import records
from clinic.access import CLINICAL, NotPermitted, Role, patients_visible_to, require, require_licensed
from clinic.audit import services as audit
from clinic.limits import selectors
from clinic.limits.models import AgeBandLimits, SpO2Scale, StopLimits
from clinic.limits.rules import KIND_OF_SIGN, LIMIT_FIELDS, SCALE_2_TARGET, SIGNS, AgeBand
from clinic.measurements.kinds import kind
from clinic.patients import selectors as patients
from clinic.patients.models import Patient
from clinic.records import EpisodeModel, Refused
from clinic.staff.models import Person

Episode = TypeVar("Episode", bound=EpisodeModel)

MOST_CHANGE_PERCENT = 100


@transaction.atomic
def set_stop_limits(
    patient: Patient, *, by: Person, limits: Mapping[str, int | None], reason: str
) -> StopLimits:
    """Put stop limits of a patient in force in place of those before; with none given, that none are set.

    Raises: NotPermitted; Refused for a limit that cannot be, ends the wrong way round, or no reason.
    """
    _openable(patient, by)
    row = StopLimits(patient=patient, by=by, reason=_said(reason), **_checked(limits))
    old = StopLimits.objects.filter(patient=patient, ended_at__isnull=True)
    return _put_in_force(row, old, by=by, action="stop limits set", patient=patient)


@transaction.atomic
def set_band_limits(
    band: AgeBand, *, by: Person, limits: Mapping[str, int | None], reason: str
) -> AgeBandLimits:
    """Put the clinic's warning limits of an age band in force; with none given, no warning is computed for it.

    Args:
        reason: where the numbers come from.
    Raises: NotPermitted; Refused.
    """
    require(by, Role.ADMINISTRATOR, Role.LEAD)
    row = AgeBandLimits(band=band.value, by=by, reason=_said(reason), **_checked(limits))
    old = AgeBandLimits.objects.filter(band=band.value, ended_at__isnull=True)
    return _put_in_force(row, old, by=by, action="age band limits set", patient=None)


@transaction.atomic
def set_spo2_scale(
    patient: Patient, *, by: Person, scale: int, hypercapnia_confirmed: bool, reason: str
) -> SpO2Scale:
    """Decide on which scale the saturation of a patient is scored. Only a licensed clinician; never by a diagnosis.

    Raises: NotPermitted; Refused where scale 2 is wanted without confirmed hypercapnic failure, or another target
        range than 88 to 92 % is in force.
    """
    require_licensed(by)
    _openable(patient, by)
    if scale not in (1, 2):
        raise Refused("scale", "The scale is 1 or 2.")
    if scale == 2:
        if not hypercapnia_confirmed:
            words = "Scale 2 is only for hypercapnic respiratory failure that a clinician has confirmed"
            raise Refused("hypercapnia_confirmed", words)
        target = patients.spo2_target(patient)
        if target is None or (target.low_percent, target.high_percent) != SCALE_2_TARGET:
            words = "Scale 2 is for a target range of 88 to 92 %: set that range first"
            raise Refused("scale", words)
    row = SpO2Scale(patient=patient, scale=scale, by=by, reason=_said(reason))
    old = SpO2Scale.objects.filter(patient=patient, ended_at__isnull=True)
    return _put_in_force(row, old, by=by, action="SpO2 scale set", patient=patient)


def _put_in_force(
    new: Episode, old: QuerySet[Episode], *, by: Person, action: str, patient: Patient | None
) -> Episode:
    before = selectors.in_force_at(old, None)
    reason: str = new.reason  # type: ignore[attr-defined]  # every limit has one
    if before is None:
        new.save(force_insert=True)
    else:
        at = max(timezone.now(), before.started_at)
        records.replace(before, new, by=by, at=at, reason=reason)
    audit.record(action=action, by=by, subject=new, patient=patient, reason=reason)
    return new


def _said(reason: str) -> str:
    if not reason.strip():
        raise Refused("reason", "Enter the reason")
    return reason.strip()


def _checked(limits: Mapping[str, int | None]) -> dict[str, int | None]:
    if unknown := set(limits) - set(LIMIT_FIELDS):
        raise Refused(min(unknown), "There is no such limit.")
    given = {name: limits.get(name) for name in LIMIT_FIELDS}
    for sign, (words, unit) in SIGNS.items():
        low, high = given[f"{sign}_below"], given[f"{sign}_above"]
        least, most = kind(KIND_OF_SIGN[sign]).hard
        for name, value in ((f"{sign}_below", low), (f"{sign}_above", high)):
            if value is not None and not least <= value <= most:
                raise Refused(name, f"A limit of {words} must be between {least} and {most} {unit}")
        if low is not None and high is not None and low >= high:
            raise Refused(
                f"{sign}_above", f"The upper limit of {words} must be above the lower one, {low} {unit}"
            )
    change = given["pulse_change_percent"]
    if change is not None and not 1 <= change <= MOST_CHANGE_PERCENT:
        raise Refused("pulse_change_percent", f"The change must be between 1 and {MOST_CHANGE_PERCENT} %")
    return given


def _openable(patient: Patient, by: Person) -> None:
    require(by, *CLINICAL)
    if not patients_visible_to(by).filter(pk=patient.pk).exists():
        raise NotPermitted("Only whoever treats the patient, and the lead.")
