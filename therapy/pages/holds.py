"""What is on hold and who must decide: the guard's holds, which have no row, beside those that a person made."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet
from django.utils import timezone

from clinic import formats
from clinic.access import patients_visible_to
from clinic.models import Patient, Person
from clinic.patients import selectors as patients
from clinic.patients.models import PatientState
from clinic.patients.selectors import PatientRow
from screening import selectors as screenings
from screening.holds import Guard, Purpose
from therapy.orders.models import Order, OrderHold
from therapy.orders.selectors import orders_in_force, technique_words


@dataclass(frozen=True)
class OnHold:
    """One order that may not be begun, or not without a decision."""

    who: PatientRow
    technique: str
    because: tuple[str, ...]
    since: datetime | None
    decides: str
    decide_by: datetime | None
    by_person: bool
    clinical: bool
    over_words: str
    since_words: str
    decide_by_words: str


def on_hold(person: Person, now: datetime) -> list[OnHold]:
    """Every order on hold of the patients a person may see, what must be decided first. Constant queries."""
    held = _held(patients_visible_to(person), now)
    distinct: dict[UUID, Patient] = {order.patient_id: order.patient for order, *_ in held}
    rows = {row.patient.pk: row for row in patients.in_list(list(distinct.values()))}
    found = [_one(rows[order.patient_id], order, hold, verdict, now) for order, hold, verdict in held]
    return sorted(
        found, key=lambda one: (not one.clinical, one.decide_by is None, one.decide_by or now, one.who.name)
    )


def patients_on_hold(of: QuerySet[Patient], now: datetime) -> int:
    """How many of these patients have an order on hold, for figures without names."""
    return len({order.patient_id for order, *_ in _held(of, now)})


def _held(of: QuerySet[Patient], now: datetime) -> list[tuple[Order, OrderHold | None, Guard]]:
    orders = list(
        orders_in_force(now)
        .filter(patient__in=of, patient__state=PatientState.ACTIVE)
        .select_related("patient__identity", "patient__unit")
        .order_by("started_at", "id")
    )
    by_person = {
        hold.order_id: hold
        for hold in OrderHold.objects.filter(order__in=[order.pk for order in orders], ended_at__isnull=True)
    }
    verdicts = screenings.guards(
        [(order.patient_id, order.technique) for order in orders], now, purpose=Purpose.DISPLAY
    )
    return [
        (order, by_person.get(order.pk), verdict)
        for order in orders
        if (verdict := verdicts[order.patient_id, order.technique]).held or order.pk in by_person
    ]


def _one(who: PatientRow, order: Order, hold: OrderHold | None, verdict: Guard, now: datetime) -> OnHold:
    if hold is not None:
        return OnHold(
            who=who,
            technique=technique_words(order.technique),
            because=(hold.reason, *(verdict.held_because if verdict.held else ())),
            since=hold.started_at,
            decides=hold.decides,
            decide_by=hold.decide_by,
            by_person=True,
            clinical=True,
            over_words=_over(hold.decide_by, now),
            since_words=_when(hold.started_at, now),
            decide_by_words=f"by {_when(hold.decide_by, now)}",
        )
    return OnHold(
        who=who,
        technique=technique_words(order.technique),
        because=verdict.held_because,
        since=verdict.since,
        decides=verdict.who_decides if verdict.clinical else "Whoever treats the patient: screen again",
        decide_by=verdict.decide_by,
        by_person=False,
        clinical=verdict.clinical,
        over_words=_over(verdict.decide_by, now),
        since_words=_when(verdict.since, now) if verdict.since else "",
        decide_by_words=f"by {_when(verdict.decide_by, now)}" if verdict.decide_by else "",
    )


def _when(at: datetime, now: datetime) -> str:
    """The time, with its date where that is not today."""
    return formats.time(at) if timezone.localdate(at) == timezone.localdate(now) else formats.date_time(at)


def _over(decide_by: datetime | None, now: datetime) -> str:
    """How long the time in which somebody was to decide is over; empty where it is not."""
    return f"{formats.spell(now - decide_by)} over" if decide_by is not None and decide_by < now else ""
