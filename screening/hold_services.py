"""Tells who must know of a new hold: opens a flag for who must decide, and closes it when nothing holds."""

import datetime as dt
from collections.abc import Iterable
from uuid import UUID

from django.db import transaction

from clinic.assignments.models import Assignment
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.patients.models import Patient
from clinic.staff.models import Person
from clinic.staff.roles import Role
from clinic.units import selectors as units
from screening import ordered, selectors, table, words
from screening.holds import Bar, Guard, Purpose
from screening.models import Decision, Screening

WHO_DECIDES = "the prescriber or another licensed clinician"
NOTICE_KIND = "hold"
AT_ONCE = 200  # patients whose answers are read together


def tell_holds(
    *, by: Person | None, patient: Patient, at: dt.datetime, techniques: Iterable[str] | None = None
) -> list[Flag]:
    """Open a flag for each ordered technique that a clinician must decide on or that must not start.

    Also closes the flags of techniques that hold no longer or are not ordered any more. Call it again when a
    technique is ordered or stopped.

    Args:
        techniques: those to look at; all ordered ones when left out.
    Returns: the flags opened by this call; the assigned therapist and the leads were told of each.
    """
    all_ordered = ordered.techniques([patient.pk])[patient.pk]
    wanted = tuple(techniques) if techniques is not None else all_ordered
    waiting = {flag.technique: flag for flag in selectors.open_hold_flags([patient.pk])}
    looked_at = dict.fromkeys((*wanted, *(key for key in waiting if key in table.current().techniques)))
    guards = selectors.guards([(patient.pk, key) for key in looked_at], at, purpose=Purpose.DISPLAY)
    opened = []
    for technique in looked_at:
        found = guards[patient.pk, technique]
        if technique not in wanted and technique not in all_ordered:
            attention.close_flag(waiting[technique], by=by, outcome="void", words="Not ordered any more")
        elif _asks(found):
            if technique not in waiting and technique in wanted:
                opened.extend(_open(patient, technique, found, by=by, at=at))
        elif technique in waiting:
            attention.close_flag(
                waiting[technique],
                by=by,
                outcome="done" if found.decision else "superseded",
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


def _changed(patients: list[UUID], at: dt.datetime) -> set[UUID]:
    """The patients whose open flags are not those that the guard asks for; a constant number of queries."""
    pairs = {
        (patient, technique)
        for patient, techniques in ordered.techniques(patients).items()
        for technique in techniques
    }
    waiting = {(flag.patient_id, flag.technique) for flag in selectors.open_hold_flags(patients)}
    guards = selectors.guards(pairs, at, purpose=Purpose.DISPLAY)
    wanted = {pair for pair in pairs if _asks(guards[pair])}
    return {patient for patient, _ in wanted ^ waiting if patient is not None}


def _asks(found: Guard) -> bool:
    """Whether somebody must decide: a finding holds, and nobody has decided against it."""
    return found.clinical and found.bar is not Bar.DECIDED_AGAINST


def _open(
    patient: Patient, technique: str, found: Guard, *, by: Person | None, at: dt.datetime
) -> list[Flag]:
    assignment = (
        Assignment.objects.filter(patient=patient, ended_at__isnull=True).select_related("therapist").first()
    )
    therapist = assignment.therapist if assignment else None
    said = (
        f"{words.technique(technique, table.current())} on hold. {'; '.join(found.held_because)}. "
        f"Must decide: {WHO_DECIDES}."
    )
    flag, opened = attention.open_flag(
        kind=FlagKind.DECIDE,
        # A decision that has run out makes a new occasion on the same screening.
        key=f"{selectors.HOLD_KEY}{found.screening_id}:{technique}:{_decided_so_far(patient, technique)}",
        words=said,
        due_at=at + dt.timedelta(minutes=units.number("decide_by_minutes")),
        patient=patient,
        owner=_owner(therapist),
        decides=WHO_DECIDES,
        technique=technique,
        by=by,
    )
    if not opened:
        return []
    attention.tell_leads(kind=NOTICE_KIND, words=said, by=by, patient=patient, flag=flag)
    if therapist is not None and therapist.role != Role.LEAD and (by is None or therapist.pk != by.pk):
        attention.tell(to=therapist, kind=NOTICE_KIND, words=said, by=by, patient=patient, flag=flag)
    return [flag]


def _decided_so_far(patient: Patient, technique: str) -> int:
    return Decision.objects.filter(patient=patient, technique=technique).count()


def _owner(therapist: Person | None) -> Person | None:
    if therapist is not None and therapist.licensed and therapist.is_active:
        return therapist
    lead: Person | None = (
        Person.objects.filter(role=Role.LEAD, is_active=True, licensed=True).order_by("pk").first()
    )
    return lead
