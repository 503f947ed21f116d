"""What must be looked at after a treatment was recorded: flags with owner and due time, and who is told."""

from datetime import datetime, timedelta

from django.db.models import F, Q
from django.utils import timezone

from clinic import formats
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.measurements.kinds import kind as kind_of
from clinic.measurements.models import Measurement
from clinic.models import Patient, Person
from clinic.units import selectors as units
from screening import hold_services
from screening.holds import Guard
from screening.models import ForcedTestCheck
from screening.numbers.services import FORCED
from screening.selectors import FOUND_KEY, STOP_SIGN_KEY, guard
from screening.table import current as rule_table
from therapy.orders.models import Order, OrderHold
from therapy.orders.selectors import orders_in_force, technique_words
from therapy.scheduling.models import ScheduledVisit
from therapy.sessions import words as words_of
from therapy.sessions.models import AdverseEvent, Delivered, TreatmentSession, TreatmentStop

LEAD = "the department lead"
# For so long the list of forced breathing tests, once asked, stands for a later test (local convention).
LIST_COUNTS = timedelta(hours=24)
# A clock that is further off than this makes the time of care doubtful (local convention).
CLOCK_OFF = timedelta(minutes=2)


def rules_at(patient: Patient, technique: str, order: Order | None, at: datetime) -> tuple[Guard, list[str]]:
    """The guard at the start of a treatment, and every reason for which it was outside the rules.

    Outside the rules is what the guard, a person's hold, or the want of an order would have held.
    """
    verdict = guard(patient, technique, at, purpose="record")
    reasons = list(verdict.held_because)
    if order is None:
        reasons.append("No order was named")
    elif not orders_in_force(at).filter(pk=order.pk).exists():
        reasons.append("The order was not in force")
    elif hold := _hold_at(order, at):
        reasons.append(f"The order was on hold: {hold.reason}")
    return verdict, reasons


def after_recording(
    treatment: TreatmentSession, *, by: Person, reasons: list[str], at: datetime, source: str
) -> None:
    """Open what a new record calls for."""
    if treatment.outside_rules:
        outside_rules_flag(treatment, by=by, reasons=reasons, at=at, source=source)
    overlap_check(treatment, by=by, at=at, source=source)
    forced_test_flag(treatment, by=by, at=at, source=source)
    if treatment.needs_signature:
        ask_for_signature(treatment, by=by, at=at, source=source)
    offset = timedelta(milliseconds=abs(treatment.clock_offset_ms or 0))
    if offset > CLOCK_OFF:
        words = f"The device's clock was {formats.spell(offset)} off: check the time of this treatment."
        _open(treatment, FlagKind.CHECK_ENTRY, words, at, by=by, source=source, occasion="clock")


def outside_rules_flag(
    treatment: TreatmentSession, *, by: Person, reasons: list[str], at: datetime, source: str
) -> None:
    """Flag a treatment that the guard, a hold or the want of an order would have held."""
    words = f"{technique_words(treatment.technique)} was given outside the rules: {'; '.join(reasons)}."
    _open(treatment, FlagKind.OUTSIDE_RULES, words, at, by=by, source=source, occasion=_occasion(treatment))


def forced_test_flag(treatment: TreatmentSession, *, by: Person, at: datetime, source: str = "web") -> None:
    """Flag a forced breathing test that came with a treatment and whose list was not asked in the day before it.

    What was measured is kept: the test has been done. Somebody looks whether it ought to have been.
    """
    taken = Measurement.objects.filter(treatment_id=treatment.pk, kind__in=FORCED, entered_in_error=False)
    kinds_taken = sorted(set(taken.values_list("kind", flat=True)))
    start = treatment.started_at
    asked = ForcedTestCheck.objects.filter(
        patient=treatment.patient_id,
        taken_with__entered_in_error=False,
        taken_with__measured_at__range=(start - LIST_COUNTS, treatment.ended_at or start),
    )
    if not kinds_taken or asked.exists():
        return
    what = ", ".join(kind_of(each).words for each in kinds_taken)
    words = (
        f"Forced breathing test in this treatment ({what}), and its list was not asked before it: "
        "check that nothing spoke against the test."
    )
    _open(treatment, FlagKind.CHECK_ENTRY, words, at, by=by, source=source, occasion="forced-test")


def overlap_check(treatment: TreatmentSession, *, by: Person, at: datetime, source: str = "web") -> None:
    """Flag recorded times that overlap those of another treatment of the patient, or of the same person."""
    others = overlapping(treatment)
    if not others:
        return
    same_patient = any(other.patient_id == treatment.patient_id for other in others)
    whose = "of the same patient" if same_patient else "given by the same person"
    words = f"The recorded times overlap with {formats.count(len(others), 'treatment')} {whose}."
    _open(treatment, FlagKind.OVERLAP, words, at, by=by, source=source, occasion=_occasion(treatment))


def overlapping(treatment: TreatmentSession) -> list[TreatmentSession]:
    """Given treatments that were under way at the same time, of the same patient or by the same person."""
    if treatment.delivered == Delivered.NOT_DELIVERED or treatment.entered_in_error:
        return []
    people = treatment.staff.filter(entered_in_error=False).values("person")
    theirs = Q(staff__person__in=people, staff__entered_in_error=False)
    end = treatment.ended_at or treatment.started_at + timedelta(seconds=1)
    # Without a recorded end a treatment is known to have been under way at its start only.
    still_going = Q(ended_at__gt=treatment.started_at) | Q(
        ended_at__isnull=True, started_at__gte=treatment.started_at
    )
    return list(
        TreatmentSession.objects.filter(
            Q(patient=treatment.patient_id) | theirs,
            still_going,
            started_at__lt=end,
            entered_in_error=False,
        )
        .exclude(delivered=Delivered.NOT_DELIVERED)
        .exclude(pk=treatment.pk)
        .exclude(ended_at__isnull=False, ended_at=F("started_at"))
        .order_by("started_at", "id")
        .distinct()
    )


def ask_for_signature(treatment: TreatmentSession, *, by: Person, at: datetime, source: str = "web") -> None:
    """Flag a student's treatment until a licensed clinician has signed it."""
    due = at + timedelta(hours=units.number("co_sign_hours"))
    words = f"{technique_words(treatment.technique)} by a student waits for a signature."
    _open(
        treatment,
        FlagKind.CO_SIGN,
        words,
        at,
        by=by,
        source=source,
        due=due,
        occasion=_occasion(treatment),
        decides="a licensed clinician",
    )


def adverse_event_flag(event: AdverseEvent, *, by: Person, at: datetime, source: str = "web") -> None:
    """Flag an adverse event for review, and tell the leads at once."""
    due = at + timedelta(hours=units.number("safety_review_hours"))
    what = words_of.ADVERSE_EVENTS.get(event.kind, event.kind)
    treatment = event.treatment
    during = technique_words(treatment.technique)
    words = f"{what} during {during}. Done: {event.action_taken}. Told: {event.told}."
    flag, opened = _open(
        treatment, FlagKind.SAFETY, words, at, by=by, source=source, due=due, occasion=str(event.pk)
    )
    if opened:
        attention.tell_leads(
            words=words, kind="safety", by=by, patient=treatment.patient, flag=flag, source=source
        )


def sent_again_flag(
    treatment: TreatmentSession, *, by: Person, number: int, at: datetime, source: str
) -> None:
    """Flag a record that came a second time with other content; both are kept."""
    words = "This treatment was sent again with other content. The first stands; the other is kept beside it."
    _open(treatment, FlagKind.CHECK_ENTRY, words, at, by=by, source=source, occasion=f"sent-again-{number}")


def same_window_flag(treatment: TreatmentSession, *, by: Person, at: datetime, source: str) -> None:
    """Flag a second treatment that names a due window which another treatment filled."""
    words = "Another treatment fills the same due window: check that this is not a second record of it."
    _open(treatment, FlagKind.CHECK_ENTRY, words, at, by=by, source=source, occasion="same-window")


def visit_taken_flag(treatment: TreatmentSession, visit: ScheduledVisit, *, by: Person, at: datetime) -> None:
    """Flag a struck "not given" whose visit cannot come back: its time was given to another visit meanwhile."""
    when = f"{formats.date(timezone.localdate(visit.start))}, {formats.time_range(visit.start, visit.end)}"
    words = f"Entered in error, but its visit ({when}) could not be put back: the time is taken. Schedule it."
    _open(treatment, FlagKind.CHECK_ENTRY, words, at, by=by, source="web", occasion=f"visit-taken-{visit.pk}")


def screen_again_flag(
    treatment: TreatmentSession, conditions: list[str], *, by: Person, at: datetime, source: str
) -> None:
    """Ask a clinician to screen again, and tell the leads, where a finding could not be answered at once."""
    table = rule_table()
    words = (
        f"Found at the bedside: {'; '.join(table.words(each) for each in conditions)}. Screen again first."
    )
    due = at + timedelta(minutes=units.number("decide_by_minutes"))
    flag, opened = attention.open_flag(
        kind=FlagKind.DECIDE,
        key=f"{FOUND_KEY}{treatment.pk}:{treatment.version}",
        words=words,
        due_at=due,
        patient=treatment.patient,
        owner=hold_services.who_is_to_act(treatment.patient),
        decides=hold_services.WHO_DECIDES,
        technique=treatment.technique,
        subject=treatment,
        by=by,
        source=source,
    )
    if opened:
        _tell_hold(flag, treatment.patient, words, by=by, at=at)


def screen_again_after_stop(
    stopped: TreatmentStop, conditions: list[str], *, by: Person, at: datetime
) -> None:
    """Ask a clinician to screen again where the sign that made one stop could not be answered at once."""
    table = rule_table()
    words = f"Found at a stop: {'; '.join(table.words(each) for each in conditions)}. Screen again first."
    flag, opened = attention.open_flag(
        kind=FlagKind.DECIDE,
        key=f"{STOP_SIGN_KEY}{stopped.pk}:{stopped.version}",
        words=words,
        due_at=at + timedelta(minutes=units.number("decide_by_minutes")),
        patient=stopped.patient,
        owner=hold_services.who_is_to_act(stopped.patient),
        decides=hold_services.WHO_DECIDES,
        technique=stopped.technique,
        subject=stopped,
        by=by,
    )
    if opened:
        _tell_hold(flag, stopped.patient, words, by=by, at=at)


def flags_of(treatment: TreatmentSession) -> list[Flag]:
    """The flags about a treatment that are not closed, the earliest due first."""
    return list(
        Flag.objects.filter(
            subject_type=TreatmentSession._meta.label_lower,
            subject_id=str(treatment.pk),
            state__in=attention.NOT_CLOSED,
        ).order_by("due_at", "id")
    )


def close_all(treatment: TreatmentSession, *, by: Person, words: str, kind: str | None = None) -> None:
    """Close the flags about a treatment, or those of one kind, because of what was done to it."""
    for flag in flags_of(treatment):
        if kind is None or flag.kind == kind:
            outcome = attention.FlagOutcome.VOID if kind is None else attention.FlagOutcome.DONE
            attention.close_flag(flag, by=by, outcome=outcome, words=words)


def _tell_hold(flag: Flag, patient: Patient, words: str, *, by: Person, at: datetime) -> None:
    """A finding that could not be answered is told like any hold: to the leads and whoever looks after the patient."""
    hold_services.tell_who_must_know(
        patient, kind=hold_services.NOTICE_KIND, words=words, by=by, flag=flag, at=at
    )


def _occasion(treatment: TreatmentSession) -> str:
    """What was amended is looked at again: a flag of its own per version."""
    return f"version-{treatment.version}" if treatment.version > 1 else ""


def _hold_at(order: Order, at: datetime) -> OrderHold | None:
    running = Q(ended_at__isnull=True) | Q(ended_at__gt=at)
    return OrderHold.objects.filter(running, order=order, started_at__lte=at).order_by("started_at").first()


def _open(
    treatment: TreatmentSession,
    kind: FlagKind,
    words: str,
    at: datetime,
    *,
    by: Person,
    source: str,
    due: datetime | None = None,
    occasion: str = "",
    decides: str = LEAD,
) -> tuple[Flag, bool]:
    return attention.open_flag(
        kind=kind,
        key=":".join(part for part in (kind.value, str(treatment.pk), occasion) if part),
        words=words,
        due_at=due or at + timedelta(hours=24),
        by=by,
        patient=treatment.patient,
        decides=decides,
        technique=treatment.technique,
        subject=treatment,
        source=source,
    )
