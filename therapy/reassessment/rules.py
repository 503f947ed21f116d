"""When a patient must be reassessed: due from the last act, by the strictest care setting since.

Published intervals, all from memory of AARC 1991 (Respir Care 36:1418) and to be signed off locally:
intensive care at least every 48 h, acute ward every 72 h, home every 3 months; step-down as intensive care
and outpatient every 3 months are local. They are settings; this module takes them as an argument.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from clinic.calculation import NotCalculable
from clinic.calendar import Spell, after, to_the_minute


class Act(StrEnum):
    """What can move a due time."""

    ORDER_STARTED = "order_started"
    REASSESSED = "reassessed"
    CARE_SETTING_CHANGED = "care_setting_changed"


@dataclass(frozen=True)
class Event:
    """One act. ``care_setting`` is where the patient was then; for a change, where the patient came to."""

    kind: Act
    at: datetime
    care_setting: str | None = None


@dataclass(frozen=True)
class Settings:
    """The interval of each care setting, and the clinic's zone in which days and months are counted."""

    zone: ZoneInfo
    spells: Mapping[str, Spell]


class Reason(StrEnum):
    """Why the due time is where it is."""

    NEVER_REASSESSED = "never_reassessed"
    SINCE_LAST_REASSESSMENT = "since_last_reassessment"
    STRICTER_SETTING = "shortened_by_stricter_setting"
    LAXER_SETTING = "not_postponed_by_laxer_setting"


@dataclass(frozen=True)
class Due:
    """When the next reassessment is due, by which care setting, counted since which act.

    At the due minute it is due, not overdue.
    """

    due_at: datetime
    reasons: tuple[Reason, ...]
    due: bool
    overdue: bool
    care_setting: str
    since: datetime


def reassessment_due(*, care_setting: str, settings: Settings, events: Iterable[Event], now: datetime) -> Due:
    """When the patient must next be reassessed, and whether that time has passed.

    The time runs from the last reassessment, or, where there was none, from the start of the first order.
    Of the care settings the patient has been in since, the strictest decides: a change to a stricter one
    shortens a running due time, a laxer one never postpones it.

    Args:
        care_setting: where the patient is now.
        settings: the interval per care setting.
        events: order starts, reassessments and changes of care setting, in any order; later than ``now``
        are ignored.
        now: the instant of the question.

    Raises:
        NotCalculable: no order was started and nothing was reassessed, or a care setting has no interval.
    """
    past = sorted((event for event in events if event.at <= now), key=lambda event: event.at)
    done = [event for event in past if event.kind is Act.REASSESSED]
    starts = [event for event in past if event.kind is Act.ORDER_STARTED]
    if not done and not starts:
        raise NotCalculable(
            "/events", "missing", "Neither an order's start nor a reassessment to count from."
        )
    base = done[-1] if done else starts[0]
    at_the_act = base.care_setting or _setting_before(past, base.at)
    since = [at_the_act] if at_the_act else []
    since += [
        event.care_setting
        for event in past
        if event.kind is Act.CARE_SETTING_CHANGED and event.at > base.at and event.care_setting
    ]
    ends = {name: _end(base.at, name, settings) for name in [*since, care_setting]}
    strictest = min(ends, key=lambda name: ends[name])
    due_at = ends[strictest]
    reasons = [Reason.SINCE_LAST_REASSESSMENT if done else Reason.NEVER_REASSESSED]
    if since and due_at < ends[since[0]]:
        reasons.append(Reason.STRICTER_SETTING)
    if due_at < ends[care_setting]:
        reasons.append(Reason.LAXER_SETTING)
    minute, due_minute = to_the_minute(now), to_the_minute(due_at)
    return Due(due_at, tuple(reasons), minute >= due_minute, minute > due_minute, strictest, base.at)


def strictest(settings: Settings, start: datetime) -> str:
    """The care setting whose interval from ``start`` ends first; of equals the first by name."""
    return min(sorted(settings.spells), key=lambda name: after(start, settings.spells[name], settings.zone))


def _setting_before(past: list[Event], at: datetime) -> str | None:
    changes = [e.care_setting for e in past if e.kind is Act.CARE_SETTING_CHANGED and e.at <= at]
    return changes[-1] if changes else None


def _end(start: datetime, care_setting: str, settings: Settings) -> datetime:
    spell = settings.spells.get(care_setting)
    if spell is None:
        raise NotCalculable(
            f"/settings/intervals/{care_setting}",
            "missing",
            f"No reassessment interval is set for {care_setting.replace('_', ' ')}.",
        )
    return after(start, spell, settings.zone)
