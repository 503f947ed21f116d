"""Writes orders: prescribe, activate, change, hold, resume, stop, co-sign. Each audited, with reason and author."""

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.shortcuts import get_object_or_404
from django.utils import timezone

from clinic import records
from clinic.access import CLINICAL, patients_visible_to, require, require_licensed
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.audit import services as audit
from clinic.formats import count
from clinic.models import Patient, Person
from clinic.patients.followers import PatientLeft
from clinic.patients.models import PatientState
from clinic.records import Refused
from clinic.units.selectors import number
from screening import hold_services as holds
from screening import selectors as screenings
from screening.helps import against
from therapy.orders import hold_flags, selectors
from therapy.orders.doses import TECHNIQUES, counted_columns
from therapy.orders.followers import OrderEvent, tell
from therapy.orders.models import InhaledMedicine, Order, OrderHold, OrderSignature, OrderSource
from therapy.orders.prescription import Prescription, check, unanswered

RAN_OUT = "valid until this time"


@transaction.atomic
def prescribe(
    *, by: Person, patient: Patient, prescription: Prescription, order_id: UUID | None = None
) -> Order:
    """Store an order as a draft: nothing is due before it is activated.

    Args:
        order_id: made by the form, so that a second press or a resend is the same draft.
    Raises: Refused (beyond a hard limit, or outside the published range without a reason), NotPermitted, Http404.
    """
    _may_order(by, prescription.source)
    patient = _seen_by(by, patient)
    if order_id is not None and (known := Order.objects.filter(pk=order_id, patient=patient).first()):
        return known
    _check(patient, prescription)
    _check_helps_here(patient, prescription)
    order = _new_row(by, patient, prescription, draft=True)
    order.pk = order_id or order.pk
    order.save(force_insert=True)
    _write_medicines(order, prescription)
    _audit("order drafted", by, order)
    holds.tell_holds(by=by, patient=patient, at=timezone.now())
    return order


@transaction.atomic
def activate(*, by: Person, order: Order, read_back: bool = False) -> Order:
    """Start a drafted order: a new row replaces the draft, and its treatments become due.

    Args:
        read_back: that a telephone order was read back to the prescriber and confirmed.
    Raises: Refused with what stands in the way: no read-back, the guard, the patient's state, an order in force.
    """
    _may_order(by, order.source)
    patient = _seen_by(by, order.patient)
    at = timezone.now()
    if not order.draft or order.ended_at is not None:
        raise Refused("order", "This order is no longer a draft.")
    prescription = selectors.prescription_of(order)
    read_back = read_back or order.read_back
    if order.source == OrderSource.TELEPHONE and not read_back:
        raise Refused("read_back", "Read the telephone order back to the prescriber before it starts.")
    _check(patient, prescription)
    _check_patient_may_start(patient, order.technique, at)
    _check_looked_at_after_stop(patient, order.technique)
    _check_none_in_force(patient, order.technique, at)
    _end_what_ran_out(patient, order.technique, by, at)
    new = _new_row(by, patient, prescription, draft=False)
    new.read_back = read_back
    new.change_reason = order.change_reason
    try:
        records.replace(order, new, by=by, at=at, reason="activated")
    except IntegrityError:
        # Somebody else started another draft of this technique in the same instant.
        _check_none_in_force(patient, order.technique, timezone.now())
        raise
    _write_medicines(new, prescription)
    _audit("order activated", by, new)
    _ask_for_signature(new, by)
    tell(OrderEvent("started", new, by, at, "activated"))
    return new


@transaction.atomic
def change(*, by: Person, order: Order, prescription: Prescription, reason: str) -> Order:
    """Replace an order in force by another dose, frequency or medicines; a hold stays in force.

    Another technique is another order: stop this one and prescribe that one.
    """
    _may_order(by, prescription.source)
    patient = _seen_by(by, order.patient)
    at = timezone.now()
    reason = _reason(reason)
    _check_in_force(order, at)
    if prescription.technique != order.technique:
        raise Refused("technique", "Stop this order and prescribe the other technique.")
    if prescription.source == OrderSource.TELEPHONE and not prescription.read_back:
        raise Refused("read_back", "Read the telephone order back to the prescriber before it starts.")
    _check(patient, prescription)
    _check_helps_here(patient, prescription)
    _check_patient_may_start(patient, order.technique, at)
    new = _new_row(by, patient, prescription, draft=False)
    new.change_reason = reason
    records.replace(order, new, by=by, at=at, reason=reason)
    _write_medicines(new, prescription)
    _carry_hold_over(order, new, by, at)
    _audit("order changed", by, new, reason)
    _close_signature_flag(order, by, "superseded")
    _ask_for_signature(new, by)
    tell(OrderEvent("ended", order, by, at, f"order changed: {reason}"))
    tell(OrderEvent("started", new, by, at, reason))
    return new


@transaction.atomic
def hold(*, by: Person, order: Order, reason: str, decides: str, decide_by: datetime) -> OrderHold:
    """Let an order rest until somebody decides. Anyone who treats may do it: it is the cautious way."""
    require(by, *CLINICAL)
    _seen_by(by, order.patient)
    at = timezone.now()
    reason = _reason(reason)
    _check_in_force(order, at)
    if not decides.strip():
        raise Refused("decides", "Enter who must decide.")
    if decide_by <= at:
        raise Refused("decide_by", "Decide by must be in the future.")
    if selectors.hold_in_force(order) is not None:
        raise Refused("order", "This order is on hold already.")
    held = OrderHold.objects.create(
        order=order, reason=reason, by=by, decides=decides.strip(), decide_by=decide_by, started_at=at
    )
    _audit("order held", by, order, reason)
    hold_flags.tell_hold(held, by=by, at=at)
    return held


@transaction.atomic
def hold_after_stop(*, by: Person, order: Order, reason: str, at: datetime) -> OrderHold | None:
    """Let an order rest after a treatment was stopped, until the patient was screened again or somebody decided.

    A hold that a person made before goes on under these terms. Where the order was changed while it was given, or
    another of its technique was started, that one rests. None where none is in force any more: what is kept then is
    that the next order of the technique waits too.
    """
    require(by, *CLINICAL)
    _seen_by(by, order.patient)
    order = selectors.by_then(order, at)
    if order.draft or order.ended_at is not None:
        others = selectors.orders_in_force(at).filter(patient=order.patient_id, technique=order.technique)
        order = others.order_by("started_at", "id").first() or order
    over = order.draft or order.ended_at is not None
    new = OrderHold(
        order=order,
        reason=reason[:300],
        by=by,
        decides=holds.WHO_DECIDES,
        decide_by=at + timedelta(minutes=number("decide_by_minutes")),
        wants_screening=True,
        started_at=at,
        ended_at=at if over else None,
        ended_reason="the order had ended" if over else "",
    )
    if over:
        new.save(force_insert=True)
        _audit("stop kept for the next order", by, order, reason)
        return None
    before = selectors.hold_in_force(order)
    if before is None:
        new.save(force_insert=True)
    else:
        new.reason, new.decides = f"{reason}; {before.reason}"[:300], before.decides
        new.decide_by = min(before.decide_by, new.decide_by)
        records.replace(before, new, by=by, at=at, reason="a treatment was stopped")
        hold_flags.close(before, by=by, outcome="superseded", words="A treatment was stopped")
    _audit("order held", by, order, reason)
    hold_flags.tell_hold(new, by=by, at=at)
    return new


@transaction.atomic
def resume(*, by: Person, order: Order, reason: str) -> None:
    """End the hold of an order; what was due meanwhile stays as it was recorded."""
    _may_order(by, order.source)
    patient = _seen_by(by, order.patient)
    at = timezone.now()
    reason = _reason(reason)
    _check_in_force(order, at)
    held = selectors.hold_in_force(order)
    if held is None:
        raise Refused("order", "This order is not on hold.")
    if held.wants_screening and not screenings.looked_at_since(
        patient.pk, order.technique, selectors.held_since(held)
    ):
        raise Refused(
            "order", "A treatment was stopped: screen again, or have it decided, before it resumes."
        )
    _check_patient_may_start(patient, order.technique, at)
    if not records.end(held, by=by, at=at, reason=reason):
        raise records.Changed(held)
    hold_flags.close(held, by=by, outcome="done", words=reason)
    _audit("order resumed", by, order, reason)


@transaction.atomic
def stop(*, by: Person, order: Order, reason: str) -> None:
    """End an order for good, or withdraw a draft."""
    require(by, *CLINICAL)
    _seen_by(by, order.patient)
    at = timezone.now()
    reason = _reason(reason)
    held = selectors.hold_in_force(order)
    if held is not None:
        records.end(held, by=by, at=at, reason="order stopped")
        hold_flags.close(held, by=by, outcome="void", words="Order stopped")
    if not records.end(order, by=by, at=at, reason=reason):
        raise Refused("order", "This order has ended already.")
    _audit("draft withdrawn" if order.draft else "order stopped", by, order, reason)
    if not order.draft:
        tell(OrderEvent("ended", order, by, at, f"order stopped: {reason}"))
    holds.tell_holds(by=by, patient=order.patient, at=at)


@transaction.atomic
def follow_patient(event: PatientLeft) -> None:
    """End every order, draft and hold of a patient who was discharged or died, in the same transaction."""
    reason = f"{event.how}: {event.reason}" if event.reason else event.how
    for order in Order.objects.filter(patient=event.patient, ended_at__isnull=True).order_by(
        "started_at", "id"
    ):
        # A discharge may be recorded late, after an order that began meanwhile.
        at = max(event.at, order.started_at)
        held = selectors.hold_in_force(order)
        if held is not None:
            records.end(held, by=event.by, at=max(at, held.started_at), reason=reason)
            hold_flags.close(held, by=event.by, outcome=event.how, words=reason)
        records.end(order, by=event.by, at=at, reason=reason)
        _audit("draft withdrawn" if order.draft else "order stopped", event.by, order, reason)
        if not order.draft:
            tell(OrderEvent("ended", order, event.by, at, reason))


@transaction.atomic
def sign(*, by: Person, order: Order) -> OrderSignature:
    """Keep the co-signature of an order given by telephone; never by the person who took it."""
    require_licensed(by)
    _seen_by(by, order.patient)
    if not order.needs_signature or order.draft:
        raise Refused("order", "This order needs no co-signature.")
    if order.by_id == by.pk:
        raise Refused("order", "Somebody else than the person who took the order must sign it.")
    if OrderSignature.objects.filter(order=order).exists():
        raise Refused("order", "This order is signed already.")
    signature = OrderSignature.objects.create(order=order, by=by)
    _audit("order signed", by, order)
    _close_signature_flag(order, by, "done")
    return signature


def _may_order(by: Person, source: str) -> None:
    """Whoever treats may enter a prescriber's order; a department protocol is started by a licensed clinician."""
    require(by, *CLINICAL)
    if source == OrderSource.PROTOCOL:
        require_licensed(by)


def _seen_by(by: Person, patient: Patient) -> Patient:
    return get_object_or_404(patients_visible_to(by).select_related("unit"), pk=patient.pk)


def _check(patient: Patient, prescription: Prescription) -> None:
    if not prescription.prescriber.strip():
        raise Refused("prescriber", "Enter who prescribed it.")
    if prescription.source not in OrderSource.values:
        raise Refused("source", "Choose how the order was given.")
    if prescription.valid_until is not None and prescription.valid_until <= timezone.now():
        raise Refused("valid_until", "Valid until must be in the future.")
    found = check(
        prescription,
        lungs=selectors.lungs_of(patient),
        first_use=selectors.is_first_use(patient, prescription.technique),
    )
    for finding in found.refused:
        raise Refused(finding.field, finding.message)
    for finding in unanswered(prescription, found):
        raise Refused(finding.field, f"{finding.message} Correct it, or say why it is right.")


def _check_helps_here(patient: Patient, prescription: Prescription) -> None:
    """What is published against a technique in this diagnosis bars nothing; it asks once why it should help here."""
    notes = against(prescription.technique, patient.diagnosis_group)
    if notes and not prescription.helps_here_reason.strip():
        raise Refused("helps_here_reason", f"{notes[0].words} Say why it should help this patient.")


def _check_patient_may_start(patient: Patient, technique: str, at: datetime) -> None:
    if patient.state != PatientState.ACTIVE:
        raise Refused("order", f"The patient is not on the caseload: {patient.get_state_display()}.")
    verdict = screenings.guard(patient, technique, at, purpose="activate")
    if not verdict.allowed:
        raise Refused("order", f"On hold: {'; '.join(verdict.held_because)}.")


def _check_looked_at_after_stop(patient: Patient, technique: str) -> None:
    """A treatment that was stopped holds its technique, not only the order of that time: another order waits too."""
    last = (
        OrderHold.objects.filter(order__patient=patient, order__technique=technique, wants_screening=True)
        .order_by("-started_at", "-pk")
        .first()
    )
    if last is not None and not screenings.looked_at_since(patient.pk, technique, selectors.held_since(last)):
        raise Refused("order", "A treatment was stopped: screen again, or have it decided, before it starts.")


def _check_none_in_force(patient: Patient, technique: str, at: datetime) -> None:
    if selectors.orders_in_force(at).filter(patient=patient, technique=technique).exists():
        words = TECHNIQUES[technique]
        raise Refused("technique", f"An order of {words} is in force: change that one instead.")


def _end_what_ran_out(patient: Patient, technique: str, by: Person, at: datetime) -> None:
    """Date the end of an order that ran out by itself, before another of its technique takes its place."""
    over = Order.objects.filter(
        patient=patient, technique=technique, draft=False, ended_at__isnull=True, valid_until__lte=at
    )
    for order in over.order_by("started_at", "id"):
        held = selectors.hold_in_force(order)
        ended = max(order.valid_until or at, order.started_at)
        if held is not None:
            records.end(held, by=by, at=max(ended, held.started_at), reason=RAN_OUT)
            hold_flags.close(held, by=by, outcome="void", words="Order ran out")
        records.end(order, by=by, at=ended, reason=RAN_OUT)
        _audit("order stopped", by, order, RAN_OUT)


def _check_in_force(order: Order, at: datetime) -> None:
    if order.draft or order.ended_at is not None:
        raise Refused("order", "This order is not in force.")
    if order.valid_until is not None and order.valid_until <= at:
        raise Refused("order", "This order has run out: prescribe it again.")


def _reason(reason: str) -> str:
    reason = reason.strip()
    if not reason:
        raise Refused("reason", "Enter the reason.")
    if len(reason) > 300:
        raise Refused("reason", f"The reason must be {count(300, 'character')} or fewer.")
    return reason


def _new_row(by: Person, patient: Patient, prescription: Prescription, *, draft: bool) -> Order:
    columns: dict[str, Any] = {
        **counted_columns(prescription.technique, prescription.dose),
        "patient": patient,
        "technique": prescription.technique,
        "dose": dict(prescription.dose),
        "outside_range": {name: why.strip() for name, why in prescription.reasons.items() if why.strip()},
        "times_a_day": prescription.times_a_day,
        "independent_sets_a_day": prescription.independent_sets_a_day,
        "valid_until": prescription.valid_until,
        "source": prescription.source,
        "prescriber": prescription.prescriber.strip(),
        "read_back": prescription.read_back,
        "needs_signature": prescription.source == OrderSource.TELEPHONE,
        "helps_here_reason": prescription.helps_here_reason.strip(),
        "notes": prescription.notes.strip(),
    }
    return Order(**columns, draft=draft, by=by)


def _write_medicines(order: Order, prescription: Prescription) -> None:
    for position, medicine in enumerate(prescription.medicines, start=1):
        InhaledMedicine.objects.create(
            order=order,
            position=position,
            kind=medicine.kind,
            words=medicine.words,
            timing=medicine.timing,
            lead_minutes=medicine.lead_minutes,
        )


def _carry_hold_over(old: Order, new: Order, by: Person, at: datetime) -> None:
    held = selectors.hold_in_force(old)
    if held is None:
        return
    carried = OrderHold(
        order=new,
        reason=held.reason,
        by=held.by,
        decides=held.decides,
        decide_by=held.decide_by,
        wants_screening=held.wants_screening,
    )
    records.replace(held, carried, by=by, at=at, reason="order changed")


def _signature_key(order: Order) -> str:
    return f"co_sign:order:{order.pk}"


def _ask_for_signature(order: Order, by: Person) -> None:
    if not order.needs_signature:
        return
    attention.open_flag(
        kind=FlagKind.CO_SIGN,
        key=_signature_key(order),
        words=f"Telephone order of {TECHNIQUES[order.technique]}, to be signed.",
        due_at=order.started_at + timedelta(hours=number("order_sign_hours")),
        patient=order.patient,
        decides=order.prescriber,
        technique=order.technique,
        subject=order,
        by=by,
    )


def _close_signature_flag(order: Order, by: Person, outcome: str) -> None:
    flag = Flag.objects.filter(key=_signature_key(order)).first()
    if flag is not None:
        attention.close_flag(flag, by=by, outcome=outcome)


def _audit(action: str, by: Person, order: Order, reason: str = "") -> None:
    audit.record(action=action, by=by, subject=order, patient=order.patient_id, reason=reason)
