"""Writes that a treatment was stopped: at once with one press; then the sign, who was told, and the checks after it.

The order rests from the first press on, until the patient was screened again or a clinician decided.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from clinic import formats, records
from clinic.access import CLINICAL, NotPermitted, patients_visible_to, require
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind, Told
from clinic.audit import services as audit
from clinic.limits.rules import OxygenGiven
from clinic.measurements.models import Measurement, Moment
from clinic.models import Patient, Person
from clinic.records import Refused
from therapy.orders import services as orders
from therapy.orders.models import Order
from therapy.orders.selectors import technique_words
from therapy.scheduling.models import DueWindow, ScheduledVisit
from therapy.sessions import alerts, findings, words
from therapy.sessions.models import StopRecheck, TreatmentStop
from therapy.sessions.rules import conditions_found
from therapy.sessions.stop_rules import RECHECK_MINUTES, due

LONGEST = timedelta(hours=12)  # a start before this is a slip of the page, not of this treatment
VALUES = {
    "spo2": "spo2_percent",
    "pulse": "pulse_per_min",
    "breaths": "respiratory_rate_per_min",
    "borg": "borg_tenths",
}


@dataclass(frozen=True)
class Checked:
    """What was measured again: stored values by field of StopRecheck, and the oxygen of the SpO2."""

    values: Mapping[str, int]
    oxygen: OxygenGiven | None = None
    unusual: Mapping[str, str] | None = None


@transaction.atomic
def stop(
    *,
    by: Person,
    patient: Patient,
    order: Order,
    stop_id: UUID,
    at: datetime,
    started_at: datetime | None = None,
    window: DueWindow | None = None,
    visit: ScheduledVisit | None = None,
) -> TreatmentStop:
    """Record that a treatment was stopped; the order rests, who must know is told, and two checks are due.

    Args:
        stop_id: made by the page, so that a second press is the same stop; the treatment is recorded under it.
        started_at: when the treatment had begun, where the page knows it.
    """
    require(by, *CLINICAL)
    _require_visible(by, patient)
    known = TreatmentStop.objects.filter(pk=stop_id, patient=patient).first()
    if known is not None:
        return known
    if started_at is not None and not at - LONGEST <= started_at <= at:
        started_at = None
    row = TreatmentStop.objects.create(
        id=stop_id,
        patient=patient,
        order=order,
        window=window,
        visit=visit,
        technique=order.technique,
        started_at=started_at,
        at=at,
        by=by,
    )
    audit.record(action="treatment stopped", by=by, subject=row, patient=patient)
    orders.hold_after_stop(by=by, order=order, reason=f"Stopped at {formats.time(at)}", at=at)
    for minutes, when in due(at):
        attention.open_flag(
            kind=FlagKind.RECHECK,
            key=recheck_key(row, minutes),
            words=f"{technique_words(row.technique)} was stopped at {formats.time(at)}: check again after "
            f"{formats.minutes(minutes)}, at {formats.time(when)}.",
            due_at=when,
            patient=patient,
            owner=by,
            technique=row.technique,
            subject=row,
            by=by,
        )
    return row


@transaction.atomic
def name_sign(
    stopped: TreatmentStop, *, by: Person, sign: str, sign_words: str = "", action_taken: str = ""
) -> TreatmentStop:
    """Keep what made one stop; what bears on the screening is answered there with yes, and holds at once.

    Raises: Refused for a sign that is none; Changed where somebody else named it in the same moment.
    """
    require(by, *CLINICAL)
    _require_visible(by, stopped.patient)
    if sign not in words.ADVERSE_EVENTS:
        raise Refused("sign", "Choose what made you stop.")
    before = conditions_of(stopped)
    named = records.amend(
        stopped,
        by=by,
        reason="what made one stop",
        changes={
            "sign": sign,
            "sign_words": sign_words.strip()[:200],
            "action_taken": action_taken.strip()[:300],
        },
        expect_version=stopped.version,
    )
    found = [condition for condition in conditions_of(named) if condition not in before]
    now = timezone.now()
    if left := findings.hold_at_once(named.patient, found, by=by, at=now) if found else []:
        alerts.screen_again_after_stop(named, left, by=by, at=now)
    return named


@transaction.atomic
def tell(
    stopped: TreatmentStop, *, by: Person, who: str, how: str, at: datetime, said: str, told_id: UUID | None
) -> Told:
    """Keep who was told of a stop, how, when, and what they said."""
    return attention.record_told(
        by=by,
        patient=stopped.patient,
        who=who,
        how=how,
        at=at,
        said=said,
        technique=stopped.technique,
        subject=stopped,
        told_id=told_id,
    )


@transaction.atomic
def check_again(
    stopped: TreatmentStop, *, by: Person, minutes: int, checked: Checked, at: datetime | None = None
) -> StopRecheck:
    """Keep what was measured after a stop, and close its flag; a second press is the same check.

    Args:
        at: when it was measured, now unless history is being loaded.
    Raises: Refused where nothing was measured, SpO2 comes without its oxygen, or no check is due then.
    """
    require(by, *CLINICAL)
    _require_visible(by, stopped.patient)
    if minutes not in RECHECK_MINUTES:
        raise Refused("minutes", "There is no check at this time.")
    known = StopRecheck.objects.filter(stop=stopped, minutes=minutes).first()
    if known is not None:
        return known
    if not checked.values:
        raise Refused("spo2", "Enter what was measured.")
    if "spo2" in checked.values and checked.oxygen is None:
        raise Refused("oxygen_device", "Choose the oxygen: SpO2 cannot be read without it.")
    at = at or timezone.now()
    rows = {name: _measured(stopped, name, checked, by, at) for name in VALUES if name in checked.values}
    row = StopRecheck.objects.create(stop=stopped, minutes=minutes, at=at, by=by, **rows)
    audit.record(action="checked after a stop", by=by, subject=row, patient=stopped.patient)
    flag = Flag.objects.filter(key=recheck_key(stopped, minutes)).first()
    if flag is not None:
        attention.close_flag(flag, by=by, words="Checked again")
    return row


def conditions_of(stopped: TreatmentStop) -> tuple[str, ...]:
    """The rows of the rule table that the sign answers with yes."""
    return conditions_found((stopped.sign,), "", None) if stopped.sign else ()


def answered_by_stop(treatment_id: UUID) -> tuple[str, ...]:
    """What a stop under the id of a treatment has answered already."""
    stopped = TreatmentStop.objects.filter(pk=treatment_id).first()
    return conditions_of(stopped) if stopped is not None else ()


def recheck_key(stopped: TreatmentStop, minutes: int) -> str:
    """The key of the flag of one check."""
    return f"recheck:{stopped.pk}:{minutes}"


def _measured(stopped: TreatmentStop, name: str, checked: Checked, by: Person, at: datetime) -> Measurement:
    oxygen = checked.oxygen if name == "spo2" else None
    return Measurement.objects.create(
        patient=stopped.patient,
        kind=VALUES[name],
        moment=Moment.APART,
        value=checked.values[name],
        measured_at=at,
        oxygen_device=oxygen.device if oxygen else "",
        oxygen_flow_ml_per_min=oxygen.flow_ml_per_min if oxygen else None,
        fio2_percent=oxygen.fio2_percent if oxygen else None,
        by=by,
        confirmed_reason=(checked.unusual or {}).get(name, "")[:200],
    )


def _require_visible(by: Person, patient: Patient) -> None:
    if not patients_visible_to(by).filter(pk=patient.pk).exists():
        raise NotPermitted("Only whoever treats the patient, and the lead.")
