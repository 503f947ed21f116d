"""The holds of one patient: what is on hold, who must decide by when, what is still allowed, who was told."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from clinic import formats
from clinic.attention.models import Flag, Notice, Told
from clinic.attention.services import NOT_CLOSED
from clinic.models import Patient
from clinic.patients import selectors as patients
from screening import selectors as screenings
from screening import table
from screening import words as screening_words
from screening.holds import Bar, Guard, Purpose
from screening.rules import SEVERITY
from therapy.orders import contacts, hold_flags
from therapy.orders import selectors as orders
from therapy.orders.models import Order, OrderHold
from therapy.orders.selectors import technique_words


@dataclass(frozen=True)
class Word:
    """That one person was told: by the app, by telephone or in person, and what they said."""

    who: str
    how: str
    at: datetime
    said: str


@dataclass(frozen=True)
class HoldLine:
    """One ordered technique on hold."""

    order: Order
    technique: str
    because: tuple[str, ...]
    since: datetime | None
    decides: str
    decide_by: datetime | None
    over: str
    by_person: OrderHold | None
    may_resume: bool
    can_decide: bool
    told: tuple[Word, ...]


@dataclass(frozen=True)
class HoldPage:
    """Everything on the page but the banner."""

    holds: tuple[HoldLine, ...]
    allowed: tuple[str, ...]
    less: tuple[tuple[str, str], ...]
    screen_again: str
    contacts: list[contacts.Contact]


def of(patient: Patient, now: datetime) -> HoldPage:
    """The page as of now, in a constant number of queries."""
    in_force = orders.orders_of(patient, now)
    rule_table = table.current()
    verdicts = screenings.guards(
        [(patient.pk, key) for key in rule_table.techniques], now, purpose=Purpose.DISPLAY
    )
    by_technique = {key: verdict for (_, key), verdict in verdicts.items()}
    flags = _flags(patient)
    told = _told(patient, flags.values())
    lines = []
    for order in in_force:
        verdict = by_technique[order.technique]
        hold = next((one for one in order.holds.all() if one.ended_at is None), None)
        if verdict.held or hold is not None:
            lines.append(_line(order, verdict, hold, flags, told, now))
    held = {line.order.technique for line in lines}
    ordered = {order.technique for order in in_force}
    return HoldPage(
        holds=tuple(lines),
        allowed=tuple(technique_words(one.technique) for one in in_force if one.technique not in held),
        less=_less(by_technique, held, ordered),
        screen_again=next((one.screen_again for one in by_technique.values() if one.screen_again), ""),
        contacts=contacts.whom_to_ring(patient, in_force),
    )


def context(patient: Patient, now: datetime) -> dict[str, Any]:
    """For the template."""
    return {"patient": patient, "banner": patients.banner(patient), "shown": of(patient, now)}


def _line(  # noqa: PLR0917 - what one line is made of, each read once for all lines
    order: Order,
    verdict: Guard,
    hold: OrderHold | None,
    flags: dict[str, Flag],
    told: dict[str, tuple[Word, ...]],
    now: datetime,
) -> HoldLine:
    of_guard = next((f for f in flags.values() if _of_guard(f, order.technique)), None)
    of_person = flags.get(hold_flags.key_of(hold)) if hold is not None else None
    ends = [each.due_at for each in (of_guard, of_person) if each is not None]
    decides = hold.decides if hold is not None else verdict.who_decides
    decide_by = min([*ends, *([hold.decide_by] if hold is not None else [])], default=verdict.decide_by)
    since = [
        each for each in (verdict.since if verdict.held else None, hold.started_at if hold else None) if each
    ]
    return HoldLine(
        order=order,
        technique=technique_words(order.technique),
        because=(
            *((hold.reason,) if hold is not None else ()),
            *(verdict.held_because if verdict.held else ()),
        ),
        since=min(since, default=None),
        decides=decides or "Whoever treats the patient: screen again",
        decide_by=decide_by,
        over=formats.spell(now - decide_by) if decide_by is not None and decide_by < now else "",
        by_person=hold,
        may_resume=hold is not None and not verdict.held and _looked_at(order, hold),
        can_decide=verdict.bar in (Bar.DECISION_WANTED, Bar.DECIDED_AGAINST),
        told=told.get(order.technique, ()),
    )


def _looked_at(order: Order, hold: OrderHold) -> bool:
    """Whether a hold may end by hand: after a stop only once screened again or decided since."""
    return not hold.wants_screening or screenings.looked_at_since(
        order.patient_id, order.technique, orders.held_since(hold)
    )


def _flags(patient: Patient) -> dict[str, Flag]:
    """The open flags of holds, by key."""
    rows = Flag.objects.filter(patient=patient, kind="decide", state__in=NOT_CLOSED).order_by("due_at", "id")
    return {row.key: row for row in rows}


def _of_guard(flag: Flag, technique: str) -> bool:
    return flag.technique == technique and flag.key.startswith(screenings.HOLD_KEY)


def _told(patient: Patient, flags: Iterable[Flag]) -> dict[str, tuple[Word, ...]]:
    """Who was told of each technique's hold, the first first: by notice, and outside the app since it was opened."""
    open_flags = list(flags)
    found: dict[str, list[Word]] = {}
    notices = (
        Notice.objects.filter(flag__in=open_flags).select_related("to", "answer", "flag").order_by("at", "id")
    )
    for notice in notices:
        answer = getattr(notice, "answer", None)
        said = "Not read yet"
        if answer is not None:
            said = f"Read {formats.date_time(answer.at)}" + (f": {answer.words}" if answer.words else "")
        technique = notice.flag.technique if notice.flag is not None else ""
        found.setdefault(technique, []).append(Word(str(notice.to), "in the app", notice.at, said))
    since = {flag.technique: flag.opened_at for flag in reversed(open_flags)}
    for row in Told.objects.filter(patient=patient).order_by("at", "id"):
        if row.technique in since and row.recorded_at >= since[row.technique]:
            found.setdefault(row.technique, []).append(Word(row.who, row.get_how_display(), row.at, row.said))
    return {key: tuple(sorted(rows, key=lambda one: one.at)) for key, rows in found.items()}


def _less(verdicts: dict[str, Guard], held: set[str], ordered: set[str]) -> tuple[tuple[str, str], ...]:
    """The techniques that are not ordered and less constrained than each one on hold, with their result, as facts."""
    if not held:
        return ()
    worst = max((_severity(verdicts[key]) for key in held), default=0)
    return tuple(
        (technique_words(key), screening_words.result(verdict.result))
        for key, verdict in verdicts.items()
        if key not in ordered and verdict.result is not None and _severity(verdict) < worst
    )


def _severity(verdict: Guard) -> int:
    return SEVERITY[verdict.result] if verdict.result is not None else max(SEVERITY.values())
