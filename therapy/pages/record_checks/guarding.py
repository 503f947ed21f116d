"""What holds, and who must know of it: moves to another care setting, stops, and a person's holds."""

from collections.abc import Iterable
from uuid import UUID

from clinic.attention.models import Flag
from clinic.models import CareSettingChange
from screening import moves
from screening.models import Screening
from therapy.models import OrderHold, StopRecheck, TreatmentStop
from therapy.orders import hold_flags
from therapy.pages.record_checks.registry import Finding, found, holds
from therapy.sessions import stop_rules, stops


@holds("a change of care setting that no screening has gone through since has its flag")
def moves_are_flagged() -> Iterable[Finding]:
    newest: dict[UUID, CareSettingChange] = {}
    for row in CareSettingChange.objects.filter(patient__state="active").order_by("at", "pk"):
        newest[row.patient_id] = row
    flagged = set(Flag.objects.filter(key__startswith=moves.KEY).values_list("key", flat=True))
    for screening in Screening.objects.filter(patient__in=newest, ended_at__isnull=True):
        change = newest[screening.patient_id]
        # Who was screened for the first time only afterwards was asked for everything anyway.
        stale = screening.started_at < change.at and not moves.gone_through_since(screening, change.at)
        if stale and moves.key_of(change) not in flagged:
            yield found(change, "nobody was asked to screen again")


@holds("each check after a stop is recorded or asked for, and one that is recorded is not asked for any more")
def checks_after_a_stop_are_asked_for() -> Iterable[Finding]:
    states = dict(Flag.objects.filter(kind="recheck").values_list("key", "state"))
    done = set(StopRecheck.objects.values_list("stop_id", "minutes"))
    for row in TreatmentStop.objects.filter(entered_in_error=False):
        for minutes in stop_rules.RECHECK_MINUTES:
            state = states.get(stops.recheck_key(row, minutes))
            if (row.pk, minutes) in done:
                if state != "closed":
                    yield found(row, f"was checked after {minutes} min, and its flag still stands")
            elif state is None:
                yield found(row, f"nobody was asked to check after {minutes} min")


@holds("an order that rests after a stop has a flag for who must decide, and no flag outlives its hold")
def holds_after_a_stop_are_flagged() -> Iterable[Finding]:
    in_force = OrderHold.objects.filter(ended_at__isnull=True).select_related("order")
    keys = {hold_flags.key_of(row): row for row in in_force}
    open_flags = {
        flag.key: flag for flag in Flag.objects.filter(key__startswith=hold_flags.KEY).exclude(state="closed")
    }
    for key, row in keys.items():
        if row.wants_screening and key not in open_flags:
            yield found(row, "nobody is asked to decide")
    for key, flag in open_flags.items():
        if key not in keys:
            yield found(flag, "its hold has ended")
