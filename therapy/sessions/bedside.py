"""What stands at the bedside: which treatment of whom, what is ordered, the target, and whether it may begin."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from django.http import Http404
from django.urls import reverse
from django.utils import timezone

from clinic import formats
from clinic.limits.rules import (
    KIND_OF_SIGN,
    Finding,
    OxygenGiven,
    Saturation,
    Watch,
    sign_findings,
    spo2_findings,
)
from clinic.models import Patient, Person
from screening.check_page import watch_of
from screening.holds import Bar, Guard
from screening.selectors import guard
from screening.table import current as rule_table
from therapy.orders import selectors as orders
from therapy.orders.models import Order, OrderHold
from therapy.scheduling import selectors as schedule
from therapy.scheduling.models import DueWindow, ScheduledVisit
from therapy.sessions import words as words_of
from therapy.sessions.content import SessionPayload
from therapy.sessions.forms import TreatmentForm
from therapy.sessions.selectors import last_oxygen

Kind = Literal["window", "visit", "order"]


@dataclass(frozen=True)
class Task:
    """A treatment to be given: of whom, by which order, for which window or visit where there is one."""

    kind: str
    pk: UUID
    patient: Patient
    order: Order
    window: DueWindow | None
    visit: ScheduledVisit | None

    @property
    def title(self) -> str:
        return f"{orders.technique_words(self.order.technique)}, {orders.dose_in_short(self.order)}"

    @property
    def address(self) -> str:
        """The page at the bedside."""
        return reverse(f"treat-{self.kind}", args=[self.pk])

    @property
    def named(self) -> dict[str, Any]:
        """The rows that the payload names."""
        return {"patient": self.patient, "order": self.order, "window": self.window, "visit": self.visit}


def find(person: Person, kind: str, pk: UUID) -> Task:
    """The treatment behind an address. Raises: Http404 where the person may not see it, or nothing is ordered."""
    window = visit = None
    if kind == "visit":
        visit = schedule.visible_visit(person, pk)
        window = visit.window
    elif kind == "window":
        window = schedule.visible_window(person, pk)
    if window is not None:
        order = orders.visible_order(person, orders.by_then(window.order, timezone.now()).pk)
    elif kind == "order":
        order = orders.visible_order(person, pk)
    else:
        raise Http404
    return Task(kind, pk, order.patient, order, window, visit)


@dataclass(frozen=True)
class Standing:
    """Whether the treatment may begin now, and what to know before."""

    verdict: Guard
    hold: OrderHold | None
    in_force: bool
    watch: Watch

    @property
    def held(self) -> bool:
        return self.verdict.held or self.hold is not None or not self.in_force

    @property
    def only_old(self) -> bool:
        """Whether nothing stands in the way but answers that are asked again before each treatment."""
        return self.verdict.bar is Bar.OUT_OF_DATE and self.hold is None and self.in_force

    @property
    def to_check(self) -> bool:
        """Whether answers at the bedside would settle what is open."""
        return self.verdict.bar in (Bar.OUT_OF_DATE, Bar.INCOMPLETE)

    @property
    def more(self) -> int:
        """How many reasons there are beyond the first three."""
        return max(len(self.reasons) - 3, 0)

    @property
    def reasons(self) -> list[str]:
        """Why it is on hold."""
        found = list(self.verdict.held_because) if self.verdict.held else []
        if self.hold is not None:
            found.append(f"The order is on hold: {self.hold.reason}")
        if not self.in_force:
            found.append("The order is not in force")
        return found

    @property
    def who_decides(self) -> str:
        if self.hold is not None:
            return self.hold.decides
        return self.verdict.who_decides

    @property
    def decide_by(self) -> datetime | None:
        return self.hold.decide_by if self.hold is not None else self.verdict.decide_by

    @property
    def ask_again(self) -> list[str]:
        """Questions whose answer is too old or missing, in words; the first few."""
        table = rule_table()
        return [table.words(key) for key in self.verdict.missing]


def standing(task: Task, now: datetime) -> Standing:
    """Ask the guard for a begin, the order's hold, and the limits in force."""
    verdict = guard(task.patient, task.order.technique, now, purpose="begin")
    return Standing(
        verdict=verdict,
        hold=orders.hold_in_force(task.order),
        in_force=orders.orders_in_force(now).filter(pk=task.order.pk).exists(),
        watch=watch_of(task.patient, verdict),
    )


def oxygen_help(patient: Patient) -> str:
    """Which oxygen the newest SpO2 was measured on, as a reminder; it is never filled in."""
    last = last_oxygen(patient)
    if last is None or not last.oxygen_device:
        return ""
    said = words_of.oxygen(last.oxygen_device, last.oxygen_flow_ml_per_min, last.fio2_percent)
    return f"Last recorded {formats.date_time(last.measured_at)}: {said}."


def findings_of(form: TreatmentForm, watch: Watch) -> list[Finding]:
    """What the numbers on the page say as they stand, however incomplete the rest of the form is."""
    given = getattr(form, "cleaned_data", {})
    before, after = _saturation(given, "before"), _saturation(given, "after")
    signs = [
        {"pulse": given.get(f"{moment}_pulse"), "respiratory_rate": given.get(f"{moment}_breaths")}
        for moment in ("before", "after")
    ]
    return [
        *spo2_findings(before, after, watch.target),
        *sign_findings(*signs, stop=watch.stop, band=watch.band),
    ]


def findings_in(payload: SessionPayload, watch: Watch) -> list[Finding]:
    """The same for a stored treatment."""
    values = {(each.kind, each.moment): each for each in payload.measurements}

    def saturation(moment: str) -> Saturation | None:
        row = values.get(("spo2_percent", moment))
        if row is None:
            return None
        oxygen = row.oxygen
        given = OxygenGiven(oxygen.device, oxygen.flow_ml_per_min, oxygen.fio2_percent) if oxygen else None
        return Saturation(row.value, given)

    signs = [
        {sign: values[kind, moment].value for sign, kind in KIND_OF_SIGN.items() if (kind, moment) in values}
        for moment in ("before", "after")
    ]
    return [
        *spo2_findings(saturation("before"), saturation("after"), watch.target),
        *sign_findings(*signs, stop=watch.stop, band=watch.band),
    ]


def summary(payload: SessionPayload, people: Iterable[tuple[str, int]]) -> list[tuple[str, str]]:
    """What will be stored, or is stored, line by line: words and value."""
    done, sputum, blood = payload.done, payload.sputum, payload.blood
    lines = [
        ("Delivered", words_of.DELIVERED[payload.delivered]),
        ("Started", formats.date_time(payload.started_at)),
        ("Ended", formats.date_time(payload.ended_at)),
    ]
    if payload.reason:
        lines.append(("Why", words_of.reason(payload.reason, payload.reason_words)))
    if payload.delivered == "not_delivered":
        return [line for line in lines if line[0] != "Ended"]
    lines += [
        (label, formats.number(getattr(done, unit)))
        for unit, label in words_of.DOSE_UNITS.items()
        if getattr(done, unit) is not None
    ]
    lines.append(("Huffs or coughs", formats.number(done.huffs)))
    if done.exhalation:
        lines.append(("Each exhalation", words_of.EXHALATION[done.exhalation]))
    lines += words_of.settings_used(payload.technique, done.settings.items())
    lines += [
        ("Sputum", words_of.sputum(sputum)),
        ("Blood", words_of.blood(blood)),
        ("Tolerated", words_of.TOLERANCE.get(payload.tolerance or "", formats.NOT_RECORDED)),
        ("Given by", words_of.DELIVERED_BY.get(payload.delivered_by or "", formats.NOT_RECORDED)),
        (
            "Who was there",
            "; ".join(f"{name}, {formats.minutes(spent)}" for name, spent in people)
            or "Nobody of the service",
        ),
    ]
    if payload.teaching:
        lines.append(("Teaching", "yes"))
    lines += [
        (
            "Adverse event",
            f"{words_of.ADVERSE_EVENTS[each.kind]}. Done: {each.action_taken}. Told: {each.told}.",
        )
        for each in payload.adverse_events
    ]
    if not payload.adverse_events:
        lines.append(("Adverse events", "None recorded"))
    lines.append(("Notes", payload.notes or formats.NOT_RECORDED))
    return lines


def _saturation(given: dict[str, Any], moment: str) -> Saturation | None:
    value = given.get(f"{moment}_spo2")
    if value is None:
        return None
    source = "before" if given.get("same_oxygen") else moment
    device = given.get(f"{source}_oxygen_device")
    if not device:
        return Saturation(value, None)
    amounts = [given.get(f"{source}_oxygen_{part}") for part in ("flow", "fio2")]
    return Saturation(value, OxygenGiven(device, *amounts))
