"""Reads orders: which are in force, on hold, waiting or to be signed, and what each says in words."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Q, QuerySet
from django.shortcuts import get_object_or_404
from django.utils import timezone

from clinic.access import patients_visible_to
from clinic.formats import count
from clinic.models import Patient, Person
from clinic.patients.models import DiagnosisGroup
from screening.models import Screening
from screening.ordered import Ends
from screening.selectors import answers_of
from therapy.orders.doses import TECHNIQUES, dose_fields, inhaled_medicines
from therapy.orders.models import Order, OrderHold
from therapy.orders.prescription import Medicine, Prescription, check
from therapy.orders.rules import Finding, Lungs, YesNoUnknown, published_range, words_for

BLOOD_ROWS = (
    "haemoptysis_scant",
    "haemoptysis_5_to_240",
    "haemoptysis_massive",
    "haemoptysis_fresh_amount_unknown",
)
BLOOD_AMOUNT = "haemoptysis_24h_ml"


@dataclass(frozen=True, slots=True)
class DoseLine:
    """One dose field as a page shows it: `reason` where the value lies outside what is published."""

    words: str
    value: str
    published: str
    source: str
    reason: str


@dataclass(frozen=True, slots=True)
class MedicineLine:
    """One inhaled medicine in its place; clearance itself stands between "before" and "after"."""

    words: str
    detail: str
    timing: str
    lead_minutes: int | None


def orders_in_force(at: datetime) -> QuerySet[Order]:
    """Orders that have begun and neither ended nor run out; drafts never are. On hold still counts."""
    return Order.objects.filter(
        Q(ended_at__isnull=True) | Q(ended_at__gt=at),
        Q(valid_until__isnull=True) | Q(valid_until__gt=at),
        draft=False,
        started_at__lte=at,
    )


def stopped(rows: Iterable[Order]) -> dict[UUID, str]:
    """Why nothing of an order is to be given any more, in words, of those that were stopped for good.

    One that was changed is not among them as long as what it was changed to goes on: what was due of it when it
    changed stays due. At most one query.
    """
    return {key: why for key, row in changed_to(rows).items() if (why := ended_words(row))}


def ended_words(order: Order) -> str:
    """That an order has ended and why; empty while it has not."""
    return f"The order has ended: {order.ended_reason}" if order.ended_at is not None else ""


def changed_to(rows: Iterable[Order]) -> dict[UUID, Order]:
    """What each order was changed to in the end, by its id: itself where it never was. At most one query."""
    given = {row.pk: row for row in rows}
    ended = [row for row in given.values() if row.ended_at is not None]
    if not ended:
        return given
    later = Order.objects.filter(
        patient__in={row.patient_id for row in ended}, replaces__isnull=False, draft=False
    )
    after = {row.replaces_id: row for row in later}
    found = {}
    for key, row in given.items():
        last = row
        while last.pk in after:
            last = after[last.pk]
        found[key] = last
    return found


def line_of(order: Order) -> list[Order]:
    """The care that an order belongs to: itself, what it was changed from and to; the oldest first, no drafts."""
    rows = Order.objects.filter(patient=order.patient_id, technique=order.technique)
    every = list(rows.order_by("started_at", "id"))
    first = _firsts({row.pk: row.replaces_id for row in every if row.replaces_id is not None})
    mine = first.get(order.pk, order.pk)
    return [row for row in every if not row.draft and first.get(row.pk, row.pk) == mine]


def by_then(order: Order, at: datetime) -> Order:
    """The order of the same care that held at a time: what was due of a changed order is given by the new one."""
    begun = [row for row in line_of(order) if row.started_at <= at]
    return begun[-1] if begun else order


def first_of_line(patients: QuerySet[Patient] | Collection[UUID]) -> dict[UUID, UUID]:
    """The order with which a care began, by the id of each that came from a change; others are left out."""
    rows = Order.objects.filter(patient__in=patients, replaces__isnull=False).order_by()
    return _firsts(dict(rows.values_list("pk", "replaces_id")))


def _firsts(before: Mapping[UUID, UUID]) -> dict[UUID, UUID]:
    found = {}
    for key in before:
        first = key
        while first in before:
            first = before[first]
        found[key] = first
    return found


def technique_ends(patient_id: UUID, technique: str) -> Ends:
    """For the screening part: whether a technique is ordered or waits as a draft, and when that ends by itself."""
    ends = list(
        Order.objects.filter(
            Q(valid_until__isnull=True) | Q(valid_until__gt=timezone.now()),
            patient_id=patient_id,
            technique=technique,
            ended_at__isnull=True,
        ).values_list("valid_until", flat=True)
    )
    if not ends:
        return Ends(ordered=False)
    # Where an order and a draft that is to follow it both wait, a decision on the longer one covers both.
    known = [each for each in ends if each is not None]
    return Ends(ordered=True, at=max(known) if len(known) == len(ends) else None)


def techniques_ordered(patients: Collection[UUID]) -> dict[UUID, list[str]]:
    """For the screening part: the techniques ordered or waiting as a draft, by patient, the oldest first."""
    rows = (
        Order.objects.filter(
            Q(valid_until__isnull=True) | Q(valid_until__gt=timezone.now()),
            patient_id__in=patients,
            ended_at__isnull=True,
        )
        .order_by("started_at", "id")
        .values_list("patient_id", "technique")
    )
    found: dict[UUID, list[str]] = {}
    for patient_id, technique in rows:
        found.setdefault(patient_id, []).append(technique)
    return found


def visible_orders(person: Person) -> QuerySet[Order]:
    """The orders of the patients a person may see."""
    return Order.objects.filter(patient__in=patients_visible_to(person))


def visible_order(person: Person, order_id: object) -> Order:
    """One order for its page. Raises: Http404 where the person may not see it."""
    rows = visible_orders(person).select_related("patient__identity", "patient__unit", "by", "ended_by")
    return get_object_or_404(rows, pk=order_id)


def orders_of(patient: Patient, at: datetime) -> list[Order]:
    """The orders of a patient in force now, the oldest first, with medicines and holds read along."""
    return list(
        orders_in_force(at)
        .filter(patient=patient)
        .prefetch_related("holds", "medicines")
        .order_by("started_at", "id")
    )


def drafts_of(patient: Patient) -> list[Order]:
    """Orders of a patient that wait to be started."""
    return list(
        Order.objects.filter(patient=patient, draft=True, ended_at__isnull=True).order_by("created_at", "id")
    )


def earlier_orders_of(patient: Patient, at: datetime) -> list[Order]:
    """Orders of a patient that ended or ran out, the newest first."""
    over = Q(ended_at__isnull=False) | Q(valid_until__lte=at)
    return list(
        Order.objects.filter(over, patient=patient, draft=False)
        .select_related("ended_by")
        .order_by("-started_at", "id")
    )


def hold_in_force(order: Order) -> OrderHold | None:
    """The person's hold that rests this order, where there is one."""
    return OrderHold.objects.filter(order=order, ended_at__isnull=True).select_related("by").first()


def first_of(hold: OrderHold) -> OrderHold:
    """The hold with which this one began, before changes of the order carried it over."""
    first = hold
    while first.replaces_id is not None:
        before = OrderHold.objects.get(pk=first.replaces_id)
        if before.wants_screening != hold.wants_screening:
            break
        first = before
    return first


def held_since(hold: OrderHold) -> datetime:
    """Since when an order rests under the terms of this hold."""
    return first_of(hold).started_at


def holds_by_technique(patients: Collection[UUID]) -> dict[tuple[UUID, str], list[OrderHold]]:
    """Every hold of these patients, ended or not, by patient and technique, the earliest first.

    Never look for it by the order that a due window names: a change of the order carries its hold to the new row,
    while a window that had opened stays with the old one.
    """
    holds: dict[tuple[UUID, str], list[OrderHold]] = defaultdict(list)
    rows = OrderHold.objects.filter(order__patient__in=set(patients)).select_related("order")
    for hold in rows.order_by("started_at", "id"):
        holds[hold.order.patient_id, hold.order.technique].append(hold)
    return holds


def resting(patients: Collection[UUID]) -> dict[tuple[UUID, str], OrderHold]:
    """The hold in force, by patient and technique; who has none is left out."""
    return {
        key: hold
        for key, holds in holds_by_technique(patients).items()
        for hold in holds
        if hold.ended_at is None
    }


def holds_in_force(person: Person) -> list[OrderHold]:
    """Orders on hold by a person, for the lists "someone must decide": the earliest decision first."""
    return list(
        OrderHold.objects.filter(
            ended_at__isnull=True,
            order__ended_at__isnull=True,
            order__patient__in=patients_visible_to(person),
        )
        .select_related("order__patient__identity", "order__patient__unit", "by")
        .order_by("decide_by", "id")
    )


def waiting_drafts(person: Person) -> list[Order]:
    """Drafts that nobody has started yet, the oldest first."""
    return list(
        visible_orders(person)
        .filter(draft=True, ended_at__isnull=True)
        .select_related("patient__identity", "patient__unit", "by")
        .order_by("created_at", "id")
    )


def to_sign(person: Person) -> list[Order]:
    """Telephone orders without the co-signature, the oldest first; also those that have ended since."""
    return list(
        visible_orders(person)
        .filter(needs_signature=True, draft=False, signature__isnull=True)
        .exclude(replaced_by__needs_signature=True)
        .select_related("patient__identity", "patient__unit", "by")
        .order_by("started_at", "id")
    )


def is_first_use(patient: Patient, technique: str) -> bool:
    """Whether the patient never had an order of this technique in force."""
    return not Order.objects.filter(patient=patient, technique=technique, draft=False).exists()


def lungs_of(patient: Patient) -> Lungs:
    """What is known of the patient that bears on inhaled medicines; what nobody answered is unknown."""
    known: Mapping[str, tuple[YesNoUnknown, YesNoUnknown]] = {
        DiagnosisGroup.CYSTIC_FIBROSIS: ("yes", "unknown"),
        DiagnosisGroup.BRONCHIECTASIS: ("no", "yes"),
    }
    fibrosis, bronchiectasis = known.get(patient.diagnosis_group, ("unknown", "unknown"))
    return Lungs(fibrosis, bronchiectasis, _coughing_blood(patient))


def prescription_of(order: Order) -> Prescription:
    """An order as the value it was written from."""
    return Prescription(
        technique=order.technique,
        dose=order.dose,
        times_a_day=order.times_a_day or 0,
        source=order.source,
        prescriber=order.prescriber,
        read_back=order.read_back,
        reasons=order.outside_range,
        medicines=tuple(
            Medicine(each.kind, each.timing, each.words, each.lead_minutes)
            for each in order.medicines.order_by("position")
        ),
        independent_sets_a_day=order.independent_sets_a_day,
        valid_until=order.valid_until,
        helps_here_reason=order.helps_here_reason,
        notes=order.notes,
    )


def refused_now(order: Order) -> tuple[Finding, ...]:
    """What the rules would refuse today, such as inhaling anything since the patient coughs blood."""
    return check(prescription_of(order), lungs=lungs_of(order.patient), first_use=False).refused


def dose_lines(order: Order) -> list[DoseLine]:
    """The dose field by field, in words."""
    return [
        DoseLine(
            words=field.words,
            value=words_for(field, order.dose.get(field.name)),
            published=published_range(field) if field.is_number else "",
            source=field.source,
            reason=order.outside_range.get(field.name, ""),
        )
        for field in dose_fields(order.technique)
    ]


def dose_in_short(order: Order) -> str:
    """The dose on one line, as lists show it: "3 sets of 10 breaths, 3 times a day"."""
    parts = []
    if order.sets and order.breaths_per_set:
        parts.append(f"{order.sets} sets of {order.breaths_per_set} breaths")
    elif order.sets:
        parts.append(f"{order.sets} sets")
    elif order.breaths_per_set:
        parts.append(f"{order.breaths_per_set} breaths an hour")
    if order.positions:
        parts.append(count(order.positions, "position"))
    if order.cycles:
        parts.append(count(order.cycles, "cycle"))
    if order.minutes:
        parts.append(f"{order.minutes} min")
    parts.append(times_in_words(order.times_a_day))
    return ", ".join(parts)


def times_in_words(times_a_day: int | None) -> str:
    """A frequency as it is said: "once a day", "3 times a day"."""
    if not times_a_day:
        return "Not recorded"
    named = {1: "once a day", 2: "twice a day"}
    return named.get(times_a_day, f"{times_a_day} times a day")


def technique_words(technique: str) -> str:
    """A technique's name as pages show it."""
    return TECHNIQUES.get(technique, technique)


def medicine_lines(order: Order) -> list[MedicineLine]:
    """Inhaled medicines in their sequence."""
    table = inhaled_medicines()
    return [
        MedicineLine(
            words=table[each.kind].words if each.kind in table else each.kind,
            detail=each.words,
            timing=each.get_timing_display(),
            lead_minutes=each.lead_minutes,
        )
        for each in order.medicines.all().order_by("position")
    ]


def history_of(order: Order) -> list[Order]:
    """The rows that this order replaced, the newest first, drafts left out."""
    earlier: list[Order] = []
    current = order
    # Orders of one patient and technique are few; they are read at once and walked by id.
    rows = {row.pk: row for row in Order.objects.filter(patient=order.patient_id, technique=order.technique)}
    while current.replaces_id and current.replaces_id in rows:
        current = rows[current.replaces_id]
        if not current.draft:
            earlier.append(current)
    return earlier


def _coughing_blood(patient: Patient) -> YesNoUnknown:
    screening = (
        Screening.objects.filter(patient=patient, ended_at__isnull=True).prefetch_related("answers").first()
    )
    if screening is None:
        return "unknown"
    answers = {key: one.value for key, one in answers_of(screening).items()}
    amount = answers.get(BLOOD_AMOUNT)
    rows = [answers.get(row, "unknown") for row in BLOOD_ROWS]
    return _blood(amount, rows)


def _blood(amount: str | float | None, rows: Iterable[str | float]) -> YesNoUnknown:
    rows = list(rows)
    if "yes" in rows or (isinstance(amount, (int, float)) and amount > 0):
        return "yes"
    if all(row == "no" for row in rows) or amount in {0, "no_reason_to_measure"}:
        return "no"
    return "unknown"
