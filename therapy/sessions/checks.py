"""Reads the rows that a payload names, and finds what contradicts the stored records."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.utils import timezone

from clinic import formats
from clinic.limits.selectors import age_years
from clinic.measurements import kinds
from clinic.models import Patient, Person
from therapy.orders.models import Order
from therapy.orders.selectors import by_then, line_of
from therapy.scheduling.models import DueWindow, ScheduledVisit
from therapy.sessions.consistency import unexplained
from therapy.sessions.content import SessionPayload
from therapy.sessions.models import AdverseEvent
from therapy.sessions.rules import DOSE_UNITS, Dose, delivered_word, dose_of
from therapy.sessions.shape import Problem, problem

# A clock may be a little ahead of the server's.
CLOCK_TOLERANCE = timedelta(minutes=5)


@dataclass(frozen=True)
class Named:
    """The stored rows that a payload names."""

    order: Order | None
    window: DueWindow | None
    visit: ScheduledVisit | None
    people: dict[int, Person]


def read_named(payload: SessionPayload, patient: Patient, problems: list[Problem]) -> Named:
    """The rows that the payload names; a row that is missing or another patient's is a problem.

    A visit brings its window, a window its order, or what that order had been changed to by then.
    """
    visit = _row(ScheduledVisit, payload.visit, "/visit", patient, problems)
    window_id = payload.window or (visit.window_id if visit else None)
    window = _row(DueWindow, window_id, "/window", patient, problems)
    order_id = payload.order or (by_then(window.order, payload.started_at).pk if window else None)
    order = _row(Order, order_id, "/order", patient, problems)
    if window is not None and order is not None and window.order not in line_of(order):
        words = "This window belongs to another order."
        problems.append(problem("/window", "inconsistent", words, "a window of the order named"))
    if order is not None and order.technique != payload.technique:
        words = f"The order is for {order.technique}."
        problems.append(problem("/technique", "inconsistent", words, order.technique, payload.technique))
    wanted = {each.person for each in payload.staff}
    people = {person.pk: person for person in Person.objects.filter(pk__in=wanted)}
    for place, each in enumerate(payload.staff):
        if each.person not in people:
            words = "There is no such person."
            problems.append(problem(f"/staff/{place}/person", "out_of_range", words, "a person", each.person))
    return Named(order, window, visit, people)


def ordered_amounts(order: Order | None) -> dict[str, int | None]:
    """What an order asks for, by unit of the dose."""
    return {unit: getattr(order, unit) if order is not None else None for unit in DOSE_UNITS}


def dose_given(payload: SessionPayload, order: Order | None) -> Dose | None:
    """The amount that counts, ordered and done."""
    done = {unit: getattr(payload.done, unit) for unit in DOSE_UNITS}
    return dose_of(ordered_amounts(order), done)


def against_order(payload: SessionPayload, order: Order | None) -> list[Problem]:
    """Where "in full" or "in part" disagrees with what was done of what was ordered."""
    dose = dose_given(payload, order)
    if dose is None or payload.delivered == "not_delivered":
        return []
    at, by_dose = f"/done/{dose.unit}", delivered_word(dose)
    unit = dose.unit.replace("_", " ")
    if payload.delivered == "part" and dose.done is None:
        words = f"Enter how many {unit} were done: a part is counted by them."
        return [problem(at, "missing", words, f"1..{dose.ordered}")]
    if payload.delivered == "full" and by_dose in {"part", "not_delivered"}:
        words = f"{dose.done} of {dose.ordered} {unit} are a part."
        return [problem("/delivered", "inconsistent", words, str(by_dose), "full")]
    if payload.delivered == "part" and by_dose == "not_delivered":
        words = f"With 0 of {dose.ordered} {unit} the treatment was not given."
        return [problem("/delivered", "inconsistent", words, "not_delivered", "part")]
    return []


def against_patient(payload: SessionPayload, patient: Patient, on: date) -> list[Problem]:
    """Measures that are not valid at the patient's age, and unusual ones where the usual range is that of an age."""
    found = []
    age = age_years(patient, on)
    for place, each in enumerate(payload.measurements):
        kind = kinds.kind(each.kind)
        if age < kind.least_age_years:
            words = f"{kind.words} is not taken under {kind.least_age_years} years."
            at = f"/measurements/{place}/kind"
            found.append(problem(at, "not_applicable", words, f"from {kind.least_age_years} y", age))
        of_age = kind.soft_from_age_years and age >= kind.soft_from_age_years
        if of_age and kind.is_possible(each.value) and not kind.is_usual(each.value):
            found += unexplained(each, f"/measurements/{place}")
    return found


def against_clock(payload: SessionPayload, now: datetime) -> list[Problem]:
    """A treatment that lies in the future, by the server's clock."""
    offset = timedelta(milliseconds=payload.device.clock_offset_ms or 0)
    latest = max(payload.started_at, payload.ended_at or payload.started_at) - offset
    if latest <= now + CLOCK_TOLERANCE:
        return []
    words = f"This treatment lies in the future: it is {formats.date_time(now)} now."
    return [problem("/started_at", "out_of_range", words, "until now", payload.started_at.isoformat())]


def against_other_events(payload: SessionPayload) -> list[Problem]:
    """Adverse events whose id another treatment carries."""
    ids = [each.id for each in payload.adverse_events]
    taken = set(
        AdverseEvent.objects.filter(pk__in=ids).exclude(treatment=payload.id).values_list("pk", flat=True)
    )
    return [
        problem(
            f"/adverse_events/{place}/id", "inconsistent", "Another treatment carries this id.", "a new id"
        )
        for place, each in enumerate(payload.adverse_events)
        if each.id in taken
    ]


def local_date(moment: datetime) -> date:
    """The date in the clinic's zone."""
    return timezone.localtime(moment).date()


def _row(model: Any, pk: Any, at: str, patient: Patient, problems: list[Problem]) -> Any:
    if pk is None:
        return None
    row = model.objects.filter(pk=pk, patient=patient).first()
    if row is None:
        problems.append(problem(at, "out_of_range", "There is none of this patient with this id.", "", pk))
    return row
