"""Tells who must know of a new hold: opens a flag for who must decide, and closes it when nothing holds.

Told are the assigned therapist, whoever covers or is to treat on this day, and the leads; never whoever found it.
"""

import datetime as dt
from collections.abc import Iterable
from uuid import UUID

from django.db import transaction
from django.db.models import Q

from clinic import formats
from clinic.assignments import selectors as assignments
from clinic.assignments.models import Assignment
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind, FlagState
from clinic.patients.models import Patient
from clinic.staff.models import Person
from clinic.staff.roles import Role
from clinic.units import selectors as units
from screening import ordered, selectors, table, words
from screening.holds import Guard, Purpose
from screening.lifts.models import Lift
from screening.models import Decision, Screening, TechniqueResult
from screening.policy import selectors as policies
from screening.rules import SEVERITY, Result

WHO_DECIDES = "the prescriber or another licensed clinician"
NOTICE_KIND = "hold"
OVERDUE_KIND = "overdue"
MOST_CHARACTERS = 340  # of what was found, so that the whole fits a flag
RINGS_AGAIN = (FlagKind.DECIDE, FlagKind.RECHECK)
AT_ONCE = 200  # patients whose answers are read together


def tell_holds(
    *, by: Person | None, patient: Patient, at: dt.datetime, techniques: Iterable[str] | None = None
) -> list[Flag]:
    """Open a flag for each ordered technique that a clinician must decide on or that must not start.

    A finding that is new on a technique that is on hold already is told as well, and so is one that local policy has
    made stricter since: another flag takes the place of the one before, due no later. Also closes the flags of
    techniques that hold no longer or are not ordered any more. Call it again when a technique is ordered or stopped.

    Args:
        techniques: those to look at; all ordered ones when left out.
    Returns: the flags opened by this call; the assigned therapist and the leads were told of each.
    """
    all_ordered = ordered.techniques([patient.pk])[patient.pk]
    wanted = tuple(techniques) if techniques is not None else all_ordered
    waiting = {flag.technique: flag for flag in selectors.open_hold_flags([patient.pk])}
    looked_at = dict.fromkeys((*wanted, *(key for key in waiting if key in table.current().techniques)))
    guards = selectors.guards([(patient.pk, key) for key in looked_at], at, purpose=Purpose.DISPLAY)
    stricter = _stricter_now(waiting.values(), guards.values(), at)
    opened = []
    for technique in looked_at:
        found = guards[patient.pk, technique]
        if technique not in wanted and technique not in all_ordered:
            attention.close_flag(waiting[technique], by=by, outcome="void", words="Not ordered any more")
        elif found.wants_somebody:
            before = waiting.get(technique)
            if before is not None and (before.pk in stricter or _finds_more(before, found)):
                said = "Local policy is stricter now" if before.pk in stricter else "More was found"
                attention.close_flag(before, by=by, outcome="superseded", words=said)
                opened.extend(_open(patient, technique, found, by=by, at=at, due_at=before.due_at))
            elif before is None and technique in wanted:
                opened.extend(_open(patient, technique, found, by=by, at=at))
        elif technique in waiting:
            attention.close_flag(
                waiting[technique],
                by=by,
                outcome="done" if found.decision or found.lifts else "superseded",
                words=words.result(found.result) if found.result else "",
            )
    return opened


def tell_all_holds(*, at: dt.datetime) -> int:
    """For a job: `tell_holds` wherever something began or ceased to hold by time alone, as a decision running out.

    Returns: the number of flags opened. Running it twice opens nothing the second time.
    """
    opened = 0
    in_force = Screening.objects.filter(ended_at__isnull=True).order_by("pk")
    ids = list(in_force.values_list("patient_id", flat=True))
    for start in range(0, len(ids), AT_ONCE):
        for patient in Patient.objects.filter(pk__in=_changed(ids[start : start + AT_ONCE], at)).order_by(
            "pk"
        ):
            with transaction.atomic():
                opened += len(tell_holds(by=None, patient=patient, at=at))
    return opened


def tell_who_must_know(
    patient: Patient, *, kind: str, words: str, by: Person | None, flag: Flag | None, at: dt.datetime
) -> None:
    """Tell the leads, and whoever looks after the patient on this day, each once and never whoever says it."""
    attention.tell_leads(kind=kind, words=words, by=by, patient=patient, flag=flag)
    for person in assignments.who_looks_after(patient.pk, at=at):
        if person.role != Role.LEAD and (by is None or person.pk != by.pk):
            attention.tell(to=person, kind=kind, words=words, by=by, patient=patient, flag=flag)


def tell_overdue(*, at: dt.datetime) -> int:
    """For a job: tell once more of each decision and each check after a stop whose time has run out.

    Returns: the number of flags told of. Running it twice tells nothing the second time.
    """
    running = Q(state=FlagState.OPEN) | Q(state=FlagState.PUT_OFF, put_off_until__lte=at)
    over = (
        Flag.objects.filter(running, kind__in=RINGS_AGAIN, due_at__lt=at, patient__isnull=False)
        .exclude(notices__kind=OVERDUE_KIND)
        .select_related("patient")
        .order_by("due_at", "id")
    )
    flags = list(over)
    for flag in flags:
        if flag.patient is not None:
            words = f"Overdue since {formats.date_time(flag.due_at)}. {flag.words}"
            with transaction.atomic():
                tell_who_must_know(flag.patient, kind=OVERDUE_KIND, words=words, by=None, flag=flag, at=at)
    return len(flags)


def _changed(patients: list[UUID], at: dt.datetime) -> set[UUID]:
    """The patients whose open flags are not those that the guard asks for; a constant number of queries."""
    pairs = {
        (patient, technique)
        for patient, techniques in ordered.techniques(patients).items()
        for technique in techniques
    }
    flags = selectors.open_hold_flags(patients)
    waiting = {(flag.patient_id, flag.technique) for flag in flags}
    guards = selectors.guards(pairs, at, purpose=Purpose.DISPLAY)
    wanted = {pair for pair in pairs if guards[pair].wants_somebody}
    stricter = _stricter_now(flags, guards.values(), at)
    again = {flag.patient_id for flag in flags if flag.pk in stricter}
    return {patient for patient in again | {key for key, _ in wanted ^ waiting} if patient is not None}


def _stricter_now(flags: Iterable[Flag], guards: Iterable[Guard], at: dt.datetime) -> set[UUID]:
    """The flags on whose very answers a finding counts more strictly than by the local policy when they were opened.

    A constant number of queries, one where local policy was not changed since.
    """
    flags = list(flags)
    if not flags or not policies.changed_since(min(flag.opened_at for flag in flags), at):
        return set()
    by_key = {(str(found.screening_id), found.technique): found for found in guards if found.findings}
    asked = [(flag, found) for flag in flags if (found := by_key.get(_opened_on(flag))) is not None]
    if not asked:
        return set()
    read = selectors.known({flag.patient_id for flag, _ in asked if flag.patient_id is not None}, at, at)
    history = policies.between(min(flag.opened_at for flag, _ in asked), at)
    return {
        flag.pk
        for flag, found in asked
        if flag.patient_id is not None
        and _counts_more(
            found,
            selectors.judged(
                read,
                (flag.patient_id, found.technique, at),
                Purpose.DISPLAY,
                policy=history.in_force(flag.opened_at),
            ),
        )
    }


def _opened_on(flag: Flag) -> tuple[str, str]:
    """The screening and the technique that a hold's flag was opened on."""
    return flag.key.removeprefix(selectors.HOLD_KEY).partition(":")[0], flag.technique


def _counts_more(now: Guard, then: Guard) -> bool:
    told = {part.cell.condition: SEVERITY[part.result] for part in then.findings}
    return any(SEVERITY[part.result] > told.get(part.cell.condition, -1) for part in now.findings)


def _finds_more(flag: Flag, found: Guard) -> bool:
    """Whether a finding counts now that did not when the flag was opened."""
    opened_on, _, rest = flag.key.removeprefix(selectors.HOLD_KEY).partition(":")
    if not rest or opened_on == str(found.screening_id):
        return False
    stored = TechniqueResult.objects.filter(screening_id=opened_on, technique=found.technique).first()
    if stored is None:
        return False
    known = {
        part["condition"]
        for part in stored.explanation["because"]
        if part["result"] != str(Result.INCOMPLETE)
    }
    return not known >= {part.cell.condition for part in found.findings}


def _open(
    patient: Patient,
    technique: str,
    found: Guard,
    *,
    by: Person | None,
    at: dt.datetime,
    due_at: dt.datetime | None = None,
) -> list[Flag]:
    due = at + dt.timedelta(minutes=units.number("decide_by_minutes"))
    said = _said(technique, found)
    flag, opened = attention.open_flag(
        kind=FlagKind.DECIDE,
        # A decision or a lift that has run out, or another local policy, makes a new occasion on the same screening.
        key=f"{selectors.HOLD_KEY}{found.screening_id}:{technique}:{_so_far(patient, technique)}",
        words=said,
        due_at=due if due_at is None else min(due, due_at),
        patient=patient,
        owner=who_is_to_act(patient),
        decides=WHO_DECIDES,
        technique=technique,
        by=by,
    )
    if not opened:
        return []
    tell_who_must_know(patient, kind=NOTICE_KIND, words=said, by=by, flag=flag, at=at)
    return [flag]


def _said(technique: str, found: Guard) -> str:
    """What is told: what was found, whole where it fits, and how much is open; who reads it opens the hold."""
    rule_table = table.current()
    findings = list(found.held_because)
    if found.missing:
        # What is open comes first there, and is only counted here.
        findings = list(dict.fromkeys(words.finding(part, rule_table) for part in found.findings))
    shown = findings
    while len(shown) > 1 and len("; ".join(shown)) > MOST_CHARACTERS:
        shown = shown[:-1]
    if more := len(findings) - len(shown):
        shown = [*shown, f"and {formats.count(more, 'more finding')}"]
    open_rows = f" {formats.count(len(found.missing), 'question')} not answered." if found.missing else ""
    return (
        f"{words.technique(technique, rule_table)} on hold. {'; '.join(shown)[:MOST_CHARACTERS]}.{open_rows} "
        f"Must decide: {WHO_DECIDES}."
    )


def _so_far(patient: Patient, technique: str) -> str:
    decided = Decision.objects.filter(patient=patient, technique=technique).count()
    decided += Lift.objects.filter(patient=patient, technique=technique).count()
    changes = policies.changes_so_far()
    return f"{decided}:{changes}" if changes else str(decided)


def who_is_to_act(patient: Patient) -> Person | None:
    """Who looks after a flag that a clinician must act on: the assigned therapist where licensed, else a lead."""
    assignment = (
        Assignment.objects.filter(patient=patient, ended_at__isnull=True).select_related("therapist").first()
    )
    therapist = assignment.therapist if assignment else None
    if therapist is not None and therapist.licensed and therapist.is_active:
        return therapist
    lead: Person | None = (
        Person.objects.filter(role=Role.LEAD, is_active=True, licensed=True).order_by("pk").first()
    )
    return lead
