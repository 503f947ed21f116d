"""What the order pages show, put together from the selectors; nothing here writes."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.http import QueryDict

from clinic.models import Patient, Person
from clinic.patients import selectors as patients
from clinic.patients.selectors import PatientRow
from screening import selectors as screenings
from screening.helps import HelpNote, against, help_notes
from screening.holds import Guard
from screening.numbers import selectors as numbers
from screening.words import RESULT_WORDS
from therapy.orders import selectors
from therapy.orders.doses import TECHNIQUES, dose_fields, inhaled_medicines
from therapy.orders.forms import ChangeForm
from therapy.orders.models import Order, OrderHold
from therapy.orders.rules import Lungs, words_for

STEP_FIELDS = ("csrfmiddlewaretoken", "step")


@dataclass(frozen=True, slots=True)
class Help:
    """A published statement as it is shown."""

    words: str
    source: str


@dataclass(frozen=True, slots=True)
class GuardLine:
    """What the guard says, in words, with the tone of its note."""

    words: str
    kind: str
    lines: tuple[str, ...]
    who: str
    by: datetime | None
    ask_again: bool
    screen_again: str
    held: bool
    decide: bool


@dataclass(frozen=True, slots=True)
class Choice:
    """One technique that may be ordered."""

    technique: str
    words: str
    guard: GuardLine
    help: tuple[Help, ...]
    in_force: bool


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One order in a list of one or of several patients."""

    order: Order
    technique: str
    dose: str
    hold: OrderHold | None = None
    guard: GuardLine | None = None
    row: PatientRow | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One line of a change: before and after."""

    words: str
    before: str
    after: str


def waiting(person: Person, at: datetime) -> dict[str, Any]:
    """Orders that wait for somebody."""
    drafts, holds, to_sign = (
        selectors.waiting_drafts(person),
        selectors.holds_in_force(person),
        selectors.to_sign(person),
    )
    every = [*drafts, *(hold.order for hold in holds), *to_sign]
    rows = {
        row.patient.pk: row
        for row in patients.in_list(list({o.patient_id: o.patient for o in every}.values()))
    }
    guards = screenings.guards(
        [(order.patient_id, order.technique) for order in drafts], at, purpose="activate"
    )
    return {
        "drafts": [
            _line(order, row=rows[order.patient_id], guard=guards[order.patient_id, order.technique])
            for order in drafts
        ],
        "holds": [_line(hold.order, row=rows[hold.order.patient_id], hold=hold) for hold in holds],
        "to_sign": [_line(order, row=rows[order.patient_id]) for order in to_sign],
        "at": at,
    }


def of_patient(patient: Patient, at: datetime) -> dict[str, Any]:
    """Every order of a patient: in force, waiting, over."""
    current, drafts = selectors.orders_of(patient, at), selectors.drafts_of(patient)
    guards = screenings.guards(
        [(patient.pk, order.technique) for order in (*current, *drafts)], at, purpose="display"
    )
    holds = {hold.order_id: hold for order in current for hold in order.holds.all() if hold.ended_at is None}
    return {
        "patient": patient,
        "banner": patients.banner(patient),
        "current": [
            _line(order, hold=holds.get(order.pk), guard=guards[patient.pk, order.technique])
            for order in current
        ],
        "drafts": [_line(order, guard=guards[patient.pk, order.technique]) for order in drafts],
        "earlier": [_line(order) for order in selectors.earlier_orders_of(patient, at)],
    }


def techniques_for(patient: Patient, at: datetime) -> dict[str, Any]:
    """Every technique with what the screening says and what is published on whether it helps."""
    guards = screenings.guards([(patient.pk, key) for key in TECHNIQUES], at, purpose="activate")
    in_force = {order.technique for order in selectors.orders_of(patient, at)}
    return {
        "patient": patient,
        "banner": patients.banner(patient),
        "help": _help(help_notes("*", patient.diagnosis_group)),
        "choices": [
            Choice(
                technique=key,
                words=words,
                guard=guard_line(guards[patient.pk, key]),
                help=_help(help_notes(key, patient.diagnosis_group, particular=True)),
                in_force=key in in_force,
            )
            for key, words in TECHNIQUES.items()
        ],
    }


def bearing_on(patient: Patient, technique: str) -> dict[str, Any]:
    """What the order form must know of the patient."""
    lungs: Lungs = selectors.lungs_of(patient)
    return {
        "technique": technique,
        "lungs": lungs,
        "first_use": selectors.is_first_use(patient, technique),
        "against": tuple(note.words for note in against(technique, patient.diagnosis_group)),
    }


def for_form(patient: Patient, technique: str, at: datetime) -> dict[str, Any]:
    """What stands beside the order form."""
    guard = screenings.guard(patient, technique, at, purpose="activate")
    return {
        "patient": patient,
        "banner": patients.banner(patient),
        "technique": technique,
        "technique_words": TECHNIQUES[technique],
        "guard": guard_line(guard),
        "help": _help(help_notes(technique, patient.diagnosis_group)),
        "measured": numbers.beside(patient, [technique]),
    }


def of_order(order: Order, at: datetime) -> dict[str, Any]:
    """One order in full."""
    hold = selectors.hold_in_force(order)
    guard = screenings.guard(order.patient, order.technique, at, purpose="activate")
    running = order.ended_at is None and (order.valid_until is None or order.valid_until > at)
    return for_form(order.patient, order.technique, at) | {
        "order": order,
        "dose": selectors.dose_lines(order),
        "times": selectors.times_in_words(order.times_a_day),
        "times_reason": order.outside_range.get("times_a_day", ""),
        "medicines": selectors.medicine_lines(order),
        "medicines_reason": order.outside_range.get("medicines", ""),
        "hold": hold,
        "guard": guard_line(guard),
        "refused_now": selectors.refused_now(order) if running else (),
        "history": selectors.history_of(order),
        "running": running and not order.draft,
        "ran_out": order.ended_at is None and not running,
        "wants_signature": order.needs_signature and not order.draft and not hasattr(order, "signature"),
        "signature": getattr(order, "signature", None),
    }


def compared(order: Order, form: ChangeForm, posted: QueryDict) -> dict[str, Any]:
    """A change before it is recorded: what differs, and the answers to carry on."""
    new = form.prescription()
    lines = [
        Difference(
            field.words,
            words_for(field, order.dose.get(field.name)),
            words_for(field, new.dose.get(field.name)),
        )
        for field in dose_fields(order.technique)
    ]
    lines.append(
        Difference(
            "Frequency",
            selectors.times_in_words(order.times_a_day),
            selectors.times_in_words(new.times_a_day),
        )
    )
    table = inhaled_medicines()
    after = ", ".join(f"{table[each.kind].words} {each.timing}" for each in new.medicines) or "None"
    before = ", ".join(f"{each.words} {each.timing}" for each in selectors.medicine_lines(order)) or "None"
    lines.append(Difference("Inhaled medicines", before, after))
    return {
        "differences": [line for line in lines if line.before != line.after],
        "unchanged": [line for line in lines if line.before == line.after],
        "hidden": [
            (name, value) for name, values in posted.lists() if name not in STEP_FIELDS for value in values
        ],
    }


def guard_line(guard: Guard) -> GuardLine:
    """The guard in words: stop where it must not start, look where somebody must act."""
    held = guard.held
    words = RESULT_WORDS[guard.result] if guard.result is not None else "Not screened yet"
    if guard.allowed and guard.decision is not None:
        words = f"{guard.decision.by} decided to proceed"
    elif guard.allowed and guard.lifts:
        words = f"Lifted for this patient by {guard.lifts[0].prescriber} and {guard.lifts[0].second}"
    kind = "plain"
    if held:
        kind = "stop" if guard.bar in {"do_not_start", "decided_against"} else "look"
    return GuardLine(
        words=words,
        kind=kind,
        lines=guard.held_because
        if held
        else (guard.decision.conditions,)
        if guard.decision and guard.decision.conditions
        else (),
        who=guard.who_decides if held and guard.clinical else "",
        by=guard.decide_by,
        ask_again=bool(guard.ask_again),
        screen_again="" if held else guard.screen_again,
        held=held,
        decide=guard.bar == "decision_wanted",
    )


def _line(
    order: Order, *, row: PatientRow | None = None, hold: OrderHold | None = None, guard: Guard | None = None
) -> OrderLine:
    return OrderLine(
        order=order,
        technique=TECHNIQUES.get(order.technique, order.technique),
        dose=selectors.dose_in_short(order),
        hold=hold,
        guard=guard_line(guard) if guard is not None else None,
        row=row,
    )


def _help(notes: list[HelpNote]) -> tuple[Help, ...]:
    return tuple(Help(note.words, note.source_words) for note in notes)
