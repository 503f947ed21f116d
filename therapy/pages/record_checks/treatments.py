"""What happened at the bedside and what was concluded from it: what must stay true."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from django.db.models import F, Q
from django.utils import timezone

from clinic.measurements.kinds import KINDS
from clinic.models import Flag, Measurement, Patient, Referral
from screening.models import Decision, Screening, TechniqueResult
from screening.rules import Result
from therapy.models import (
    AdverseEvent,
    DueWindow,
    IndependentSets,
    Order,
    Reassessment,
    TreatmentSession,
    TreatmentStaff,
)
from therapy.orders.selectors import first_of_line
from therapy.pages.record_checks.registry import Finding, found, holds
from therapy.sessions.matching import Treatment, Window, match
from therapy.sessions.rules import REASONS, dose_of

_GIVEN = ("full", "part")
_COUNTED = ("sets", "minutes", "positions", "cycles", "breaths_per_set")


def _valid() -> "Iterable[TreatmentSession]":
    return TreatmentSession.objects.filter(entered_in_error=False).order_by("started_at", "id")


@holds("a treatment belongs to the patient of its order, window and visit, and to its window's date")
def treatments_belong_together() -> Iterable[Finding]:
    for row in TreatmentSession.objects.filter(entered_in_error=False).select_related(
        "order", "window", "visit"
    ):
        for name in ("order", "window", "visit"):
            other = getattr(row, name)
            if other is not None and other.patient_id != row.patient_id:
                yield found(row, f"its {name} is another patient's")
        if row.order is not None and row.order.technique != row.technique:
            yield found(row, "its technique is not the one ordered")
        day = row.window.service_date if row.window else timezone.localdate(row.started_at)
        if row.service_date != day:
            yield found(row, f"is counted on {row.service_date}, not on {day}")


@holds("a treatment given in full has no reason, and any other has one of the list with its group")
def reasons_are_of_the_list() -> Iterable[Finding]:
    for row in _valid():
        if row.delivered == "full":
            if row.reason or row.reason_group:
                yield found(row, "was given in full, but has a reason")
            continue
        reason = REASONS.get(row.reason)
        if reason is None or reason.group != row.reason_group:
            yield found(row, f"reason {row.reason or 'none'} with group {row.reason_group or 'none'}")


@holds("a treatment given in part says how much of the ordered dose was done")
def parts_say_how_much() -> Iterable[Finding]:
    for row in TreatmentSession.objects.filter(delivered="part", entered_in_error=False, order__isnull=False):
        order = row.order
        dose = dose_of(
            {unit: getattr(order, unit) for unit in _COUNTED},
            {unit: getattr(row, f"{unit}_done") for unit in _COUNTED},
        )
        if dose is not None and dose.done is None:
            yield found(row, f"{dose.unit} done is not recorded")


@holds("a treatment ends after it starts, and is not recorded before it started")
def treatments_end_after_they_start() -> Iterable[Finding]:
    for row in TreatmentSession.objects.filter(ended_at__lt=F("started_at")):
        yield found(row, "ended before it started")


@holds("an amount of sputum is told only where it was measured, in mL or in g, never both")
def sputum_is_told_once() -> Iterable[Finding]:
    amount = Q(sputum_volume_tenths_ml__isnull=False) | Q(sputum_mass_tenths_g__isnull=False)
    for row in TreatmentSession.objects.filter(amount).exclude(sputum="measured"):
        yield found(row, f"has an amount, but sputum is {row.sputum or 'not recorded'}")
    both = {"sputum_volume_tenths_ml__isnull": False, "sputum_mass_tenths_g__isnull": False}
    for row in TreatmentSession.objects.filter(**both):
        yield found(row, "has mL and g")
    for row in TreatmentSession.objects.filter(sputum="measured").exclude(amount):
        yield found(row, "is measured, but has no amount")


@holds("a due window's state is what the treatments recorded for it say")
def windows_are_what_was_recorded() -> Iterable[Finding]:
    care = first_of_line(Patient.objects.all())
    windows: dict[object, list[DueWindow]] = defaultdict(list)
    for window in DueWindow.objects.exclude(state="cancelled").order_by("earliest", "id").iterator():
        windows[care.get(window.order_id, window.order_id)].append(window)
    treatments: dict[object, list[TreatmentSession]] = defaultdict(list)
    for row in _valid():
        if row.order_id is not None:
            treatments[care.get(row.order_id, row.order_id)].append(row)
    for order, of_order in windows.items():
        rows = {row.pk: row for row in treatments[order]}
        filled = match(
            [Window(each.pk, order, each.service_date, each.earliest, each.latest) for each in of_order],
            [
                Treatment(row.pk, order, row.service_date, row.started_at, row.delivered, row.window_id)
                for row in rows.values()
            ],
        )
        by_window = {window: rows[row] for row, window in filled.items() if window is not None}  # type: ignore[index]  # the ids put in come out
        for window in of_order:
            filler = by_window.get(window.pk)
            if filler is not None and window.state != filler.delivered:
                yield found(window, f"is {window.state}, its treatment was {filler.delivered}")
            if filler is None and window.state in _GIVEN:
                yield found(window, f"is {window.state}, but nothing was recorded for it")


@holds("what was given had a screening in force that allowed it, or is marked as given outside the rules")
def given_within_the_rules_or_marked() -> Iterable[Finding]:
    screenings: dict[UUID, list[Screening]] = defaultdict(list)
    for screening in Screening.objects.order_by("started_at", "id"):
        screenings[screening.patient_id].append(screening)
    results = {(row.screening_id, row.technique): row.result for row in TechniqueResult.objects.iterator()}
    decisions: dict[tuple[UUID, str], list[Decision]] = defaultdict(list)
    for decision in Decision.objects.filter(proceed=True):
        decisions[decision.patient_id, decision.technique].append(decision)
    for row in TreatmentSession.objects.filter(
        entered_in_error=False, outside_rules=False, delivered__in=_GIVEN
    ):
        at = row.started_at
        in_force = next((each for each in screenings[row.patient_id] if _in_force(each, at)), None)
        result = results.get((in_force.pk, row.technique)) if in_force else None
        if result == Result.NONE_FOUND:
            continue
        decided = any(_stands(each, at) for each in decisions[row.patient_id, row.technique])
        if result != Result.CLINICIAN_MUST_DECIDE or not decided:
            yield found(row, f"was given where the screening said {result or 'nothing'}, and is not marked")


def _in_force(row: Screening, at: datetime) -> bool:
    return row.started_at <= at and (row.ended_at is None or row.ended_at > at)


def _stands(row: Decision, at: datetime) -> bool:
    return row.started_at <= at < row.expires_at and (row.ended_at is None or row.ended_at > at)


@holds("what was given outside the rules, and what waits for a signature, has its flag")
def marked_treatments_are_flagged() -> Iterable[Finding]:
    flags: dict[str, set[str]] = defaultdict(set)
    for kind, subject, state in Flag.objects.values_list("kind", "subject_id", "state"):
        flags[kind].add(subject)
        if state != "closed":
            flags[f"{kind} open"].add(subject)
    for row in TreatmentSession.objects.filter(outside_rules=True, entered_in_error=False):
        if str(row.pk) not in flags["outside_rules"]:
            yield found(row, "was given outside the rules, and nobody was asked to look")
    unsigned = TreatmentSession.objects.filter(
        needs_signature=True, signed_at__isnull=True, entered_in_error=False
    )
    for row in unsigned:
        if str(row.pk) not in flags["co_sign open"]:
            yield found(row, "waits for a signature, and nobody was asked for it")
    orders = Order.objects.filter(needs_signature=True, draft=False, signature__isnull=True)
    for order in orders.exclude(replaced_by__needs_signature=True):
        if str(order.pk) not in flags["co_sign open"]:
            yield found(order, "waits for a signature, and nobody was asked for it")


@holds("recorded times of one therapist or patient that overlap are flagged")
def recorded_overlaps_are_flagged() -> Iterable[Finding]:
    flagged = set(Flag.objects.filter(kind="overlap").values_list("subject_id", flat=True))
    rows = {row.pk: row for row in _valid() if row.delivered in _GIVEN and row.ended_at is not None}
    groups: dict[object, list[TreatmentSession]] = defaultdict(list)
    for row in rows.values():
        groups["patient", row.patient_id].append(row)
    for staff in TreatmentStaff.objects.filter(entered_in_error=False, treatment__in=list(rows)):
        groups["person", staff.person_id].append(rows[staff.treatment_id])
    for of_one in groups.values():
        last: TreatmentSession | None = None
        for row in sorted(of_one, key=lambda each: (each.started_at, str(each.pk))):
            overlaps = last is not None and last.ended_at is not None and last.ended_at > row.started_at
            if overlaps and last is not None and not {str(row.pk), str(last.pk)} & flagged:
                yield found(row, "overlaps with another recorded treatment, and nobody was asked to look")
            if last is None or last.ended_at is None or (row.ended_at and row.ended_at > last.ended_at):
                last = row


@holds("a therapist's, assistant's or student's treatment names who was there; a signature has a time")
def somebody_was_there() -> Iterable[Finding]:
    by_service = TreatmentSession.objects.filter(
        entered_in_error=False, delivered__in=_GIVEN, delivered_by__in=("therapist", "assistant", "student")
    )
    for row in by_service.filter(staff__isnull=True):
        yield found(row, "names nobody")
    for row in TreatmentSession.objects.filter(signed_at__isnull=True, signed_by__isnull=False):
        yield found(row, "is signed without a time")
    for row in TreatmentSession.objects.filter(signed_at__isnull=False, signed_by__isnull=True):
        yield found(row, "is signed by nobody")


@holds("a measured value is of a known kind, possible, and of the patient who was treated")
def measurements_are_possible() -> Iterable[Finding]:
    patients = dict(TreatmentSession.objects.values_list("pk", "patient_id"))
    for row in Measurement.objects.iterator():
        kind = KINDS.get(row.kind)
        if kind is None or not kind.is_possible(row.value):
            yield found(row, f"{row.kind} of {row.value} cannot be")
        if row.treatment_id is not None and patients.get(row.treatment_id) != row.patient_id:
            yield found(row, "its treatment is another patient's, or is not there")


@holds("what hangs on a treatment or an order belongs to the same patient")
def what_follows_belongs_to_the_same_patient() -> Iterable[Finding]:
    for row in AdverseEvent.objects.exclude(patient=F("treatment__patient")):
        yield found(row, "its treatment is another patient's")
    for model in (Reassessment, IndependentSets):
        for other in model._default_manager.filter(order__isnull=False).exclude(patient=F("order__patient")):
            yield found(other, "its order is another patient's")


@holds("a referral's first treatment is not later than the first one recorded since it came in")
def first_treatments_are_the_first() -> Iterable[Finding]:
    starts: dict[UUID, list[datetime]] = defaultdict(list)
    for row in _valid():
        if row.delivered in _GIVEN:
            starts[row.patient_id].append(row.started_at)
    for referral in Referral.objects.filter(outcome="accepted", entered_in_error=False):
        since = [at for at in starts[referral.patient_id] if at >= referral.received_at]
        if since and (referral.first_treated_at is None or referral.first_treated_at > min(since)):
            yield found(referral, "was treated earlier than it says")
