"""Writes screenings and decisions; a new hold opens a flag and tells who must know."""

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from django.db import IntegrityError, transaction

from clinic import access, records
from clinic.assignments.models import Assignment
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.audit import services as audit
from clinic.calculation import NotCalculable
from clinic.patients.models import Patient
from clinic.records import Refused
from clinic.staff.models import Person
from clinic.staff.roles import Role
from clinic.units import selectors as units
from screening import ordered, rules, selectors, table, words
from screening.decision_reasons import AGAINST, PROCEED
from screening.holds import Bar, Guard, Purpose
from screening.models import Answer, AnswerKind, Decision, Screening, TechniqueResult
from screening.table import Table

LONGEST_DECISION = dt.timedelta(days=366)  # local convention
WHO_DECIDES = "the prescriber or another licensed clinician"
NOTICE_KIND = "hold"


@dataclass(frozen=True, slots=True)
class _Given:
    value: str | float
    at: dt.datetime
    by_id: int
    by_group: bool


@transaction.atomic
def record_screening(
    *,
    by: Person,
    patient: Patient,
    answers: Mapping[str, str | float],
    at: dt.datetime,
    reason: str = "",
    by_group: Collection[str] = (),
    keep: Collection[str] | Literal["all"] = (),
    replacing: Any = None,
    source: str = "web",
) -> Screening:
    """Record one dated set of answers with the result per technique; it replaces the one in force.

    Args:
        by: a therapist with access to the patient, or a lead.
        answers: by row or number key, asked at `at`: a word of rules.WORDS or a number in the key's unit.
        by_group: those of `answers` that were given by "I checked these, none apply".
        keep: keys taken over from the screening in force with their time and person, where neither the key nor
            the number or row that answers it is in `answers`; "all" for every one.
        replacing: the id of the screening that the person saw (None when there was none is not checked).
        source: web, tablet, job or command, for the audit trail.
    Returns: the screening. One that was asked before the one in force began is stored as ended already.
    Raises: NotPermitted; Refused naming the key that cannot be so; Changed when another screening was recorded
        since `replacing`.
    """
    access.require(by, Role.LEAD, Role.THERAPIST)
    _require_visible(by, patient)
    rule_table = table.current()
    in_force = Screening.objects.filter(patient=patient, ended_at__isnull=True).first()
    if replacing is not None and (in_force is None or str(in_force.pk) != str(replacing)):
        raise records.Changed(in_force or Screening(patient=patient))
    given = {key: _Given(value, at, by.pk, key in by_group) for key, value in answers.items()}
    if in_force is not None:
        given = _kept(in_force, keep, given, rule_table) | given
    _with_age(given, patient, at, by, rule_table)
    found = _screened(given, rule_table)
    _refuse_unmeasured(given, rule_table)
    row = Screening(patient=patient, by=by, reason=reason, table_version=rule_table.version, started_at=at)
    late = in_force is not None and at < in_force.started_at
    try:
        with transaction.atomic():
            if in_force is None:
                row.save(force_insert=True)
            elif late:
                row.ended_at, row.ended_reason = (
                    in_force.started_at,
                    "A later screening was recorded before it",
                )
                row.save(force_insert=True)
            else:
                records.replace(in_force, row, by=by, at=at, reason="Screened again")
    except IntegrityError as error:
        raise records.Changed(Screening.objects.get(patient=patient, ended_at__isnull=True)) from error
    _store(row, given, found, rule_table)
    audit.record(
        action="screening recorded", by=by, subject=row, patient=patient, changed=sorted(answers),
        reason=reason, source=source,
    )  # fmt: skip
    if not late:
        tell_holds(by=by, patient=patient, at=at)
    return row


def tell_holds(
    *, by: Person | None, patient: Patient, at: dt.datetime, techniques: Iterable[str] | None = None
) -> list[Flag]:
    """Open a flag for each ordered technique that a clinician must decide on or that must not start.

    Also closes the flags of techniques that hold no longer. Call it again when a technique is newly ordered.

    Args:
        techniques: those to look at; all ordered ones when left out.
    Returns: the flags opened by this call; the assigned therapist and the leads were told of each.
    """
    wanted = tuple(techniques) if techniques is not None else ordered.techniques([patient.pk])[patient.pk]
    waiting = {
        flag.technique: flag
        for flag in Flag.objects.filter(
            patient=patient, kind=FlagKind.DECIDE, state__in=attention.NOT_CLOSED
        ).order_by("opened_at", "id")
    }
    looked_at = dict.fromkeys((*wanted, *(key for key in waiting if key in table.current().techniques)))
    guards = selectors.guards([(patient.pk, key) for key in looked_at], at, purpose=Purpose.DISPLAY)
    opened = []
    for technique in looked_at:
        found = guards[patient.pk, technique]
        if found.clinical and found.bar is not Bar.DECIDED_AGAINST:
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
    """For a job: `tell_holds` for every patient who was screened; finds what began to hold by time alone.

    Returns: the number of flags opened. Running it twice opens nothing the second time.
    """
    opened = 0
    in_force = Screening.objects.filter(ended_at__isnull=True).order_by("id").select_related("patient")
    for screening in in_force.iterator():
        with transaction.atomic():
            opened += len(tell_holds(by=None, patient=screening.patient, at=at))
    return opened


@transaction.atomic
def decide(
    *,
    by: Person,
    screening: Screening,
    technique: str,
    proceed: bool,
    reason_code: str,
    reason: str,
    expires_at: dt.datetime,
    at: dt.datetime,
    conditions: str = "",
    stop_below_spo2_percent: int | None = None,
) -> Decision:
    """Document a licensed clinician's choice on "clinician must decide", bound to the answers it weighed.

    Args:
        by: an account marked licensed, with access to the patient.
        screening: the one that was read; it must still be in force.
        expires_at: from when the decision counts no longer.
    Returns: the decision; an earlier one on the same technique is replaced.
    Raises: NotPermitted; Changed when another screening was recorded since; Refused naming the field.
    """
    access.require_licensed(by)
    patient = screening.patient
    _require_visible(by, patient)
    in_force = Screening.objects.filter(patient=patient, ended_at__isnull=True).first()
    if in_force is None or in_force.pk != screening.pk:
        raise records.Changed(in_force or screening)
    found = selectors.guard(patient, technique, at, purpose=Purpose.DISPLAY)
    _check_decision(
        found, proceed=proceed, reason_code=reason_code, reason=reason, at=at, expires_at=expires_at,
        stop_below=stop_below_spo2_percent,
    )  # fmt: skip
    row = Decision(
        screening=screening,
        patient=patient,
        technique=technique,
        proceed=proceed,
        reason_code=reason_code,
        reason=reason.strip(),
        conditions=conditions.strip(),
        stop_below_spo2_percent=stop_below_spo2_percent,
        expires_at=expires_at,
        decided_by=by,
        answers_fingerprint=found.fingerprint,
        started_at=at,
    )
    before = (
        Decision.objects.filter(patient=patient, technique=technique, ended_at__isnull=True)
        .order_by("-started_at", "-created_at", "id")
        .first()
    )
    if before is None:
        row.save(force_insert=True)
    else:
        records.replace(before, row, by=by, at=at, reason="Decided again")
    audit.record(
        action="decision recorded",
        by=by,
        subject=row,
        patient=patient,
        changed=[technique],
        reason=reason_code,
    )
    for flag in Flag.objects.filter(
        patient=patient, kind=FlagKind.DECIDE, technique=technique, state__in=attention.NOT_CLOSED
    ):
        attention.close_flag(
            flag,
            by=by,
            outcome="done",
            words="Decided to proceed" if proceed else "Decided not to proceed",
        )
    return row


def _require_visible(by: Person, patient: Patient) -> None:
    if not access.patients_visible_to(by).filter(pk=patient.pk).exists():
        raise access.NotPermitted("Only for those who look after this patient.")


def _kept(
    in_force: Screening,
    keep: Collection[str] | Literal["all"],
    given: Mapping[str, _Given],
    rule_table: Table,
) -> dict[str, _Given]:
    """Earlier answers that stand, less those that a new answer to the row or its number replaces."""
    settled = {
        condition
        for key in given
        if key in rule_table.numbers
        for condition in rule_table.numbers[key].conditions
    } | {
        number
        for key in given
        if key in rule_table.conditions
        for number in rule_table.conditions[key].numbers
    }
    return {
        one.condition: _Given(selectors.value_of(one), one.answered_at, one.answered_by_id, one.by_group)
        for one in in_force.answers.all()
        if (keep == "all" or one.condition in keep)
        and one.condition not in settled
        and (one.condition in rule_table.conditions or one.condition in rule_table.numbers)
    }


def _with_age(
    given: dict[str, _Given], patient: Patient, at: dt.datetime, by: Person, rule_table: Table
) -> None:
    """The age is never asked: it follows from the birth date."""
    years = selectors.age_years(patient, at)
    if years is not None and "age_years" in rule_table.numbers:
        given["age_years"] = _Given(years, at, by.pk, False)
        for condition in rule_table.numbers["age_years"].conditions:
            given.pop(condition, None)


def _screened(given: Mapping[str, _Given], rule_table: Table) -> dict[str, rules.TechniqueResult]:
    try:
        return rules.screen({key: rules.Answer(one.value, one.at) for key, one in given.items()}, rule_table)
    except NotCalculable as error:
        raise Refused(error.field.rsplit("/", 1)[-1], error.message) from error


def _refuse_unmeasured(given: Mapping[str, _Given], rule_table: Table) -> None:
    """No reason to measure is refused while something that asks for the number is answered yes."""
    for key, number in rule_table.numbers.items():
        if key not in given or given[key].value != rules.NO_REASON:
            continue
        for trigger in number.trigger_conditions:
            if trigger in given and given[trigger].value == rules.YES:
                raise Refused(
                    key,
                    f"There is a reason to measure: '{rule_table.conditions[trigger].words}' is answered yes. "
                    "Enter the value, or choose wanted, not measured",
                )


def _store(
    row: Screening,
    given: Mapping[str, _Given],
    found: Mapping[str, rules.TechniqueResult],
    rule_table: Table,
) -> None:
    Answer.objects.bulk_create(
        Answer(
            screening=row,
            condition=key,
            kind=one.value if isinstance(one.value, str) else AnswerKind.VALUE,
            value=None if isinstance(one.value, str) else round(one.value * selectors.THOUSANDTHS),
            answered_at=one.at,
            answered_by_id=one.by_id,
            by_group=one.by_group,
        )
        for key, one in given.items()
    )
    TechniqueResult.objects.bulk_create(
        TechniqueResult(
            screening=row,
            technique=key,
            result=one.result,
            explanation=words.explanation(one, rule_table),
        )
        for key, one in found.items()
    )


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
        key=f"decide:{found.screening_id}:{technique}:{_decided_so_far(patient, technique)}",
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


def _check_decision(
    found: Guard,
    *,
    proceed: bool,
    reason_code: str,
    reason: str,
    at: dt.datetime,
    expires_at: dt.datetime,
    stop_below: int | None,
) -> None:
    if found.result is not rules.Result.CLINICIAN_MUST_DECIDE:
        said = words.result(found.result) if found.result else "not screened"
        raise Refused("technique", f"There is nothing to decide: {said}")
    if reason_code not in (PROCEED if proceed else AGAINST):
        raise Refused("reason_code", "Choose the reason from the list")
    if not reason.strip():
        raise Refused("reason", "Enter the reason in words")
    if not at < expires_at <= at + LONGEST_DECISION:
        raise Refused("expires_at", "The end must lie in the future and within 12 months")
    if stop_below is not None and not 50 <= stop_below <= 100:
        raise Refused("stop_below_spo2_percent", "SpO2 must be between 50 and 100 %")
