"""Writes screenings and decisions; a new hold opens a flag and tells who must know."""

import datetime as dt
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic import access, records
from clinic.attention import services as attention
from clinic.audit import services as audit
from clinic.calculation import NotCalculable
from clinic.ids import new_id
from clinic.patients.models import Patient
from clinic.records import Refused
from clinic.referrals import services as referrals
from clinic.staff.models import Person
from clinic.staff.roles import Role
from screening import check, hold_services, moves, rules, selectors, table, words
from screening.decision_reasons import AGAINST, PROCEED
from screening.decisions import offers
from screening.decisions import selectors as decided
from screening.decisions.rules import differences, in_words
from screening.holds import Guard, Purpose, fingerprint
from screening.lifts import services as lifts
from screening.models import Answer, AnswerKind, Decision, Screening, TechniqueResult
from screening.policy import rules as policy_rules
from screening.policy import selectors as policies
from screening.policy import services as policy_services
from screening.table import Table


@dataclass(frozen=True, slots=True)
class _Given:
    value: str | float
    at: dt.datetime
    by_id: int
    by_group: bool
    unusual_reason: str = ""


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
    unusual: Mapping[str, str] = MappingProxyType({}),
    replacing: Any = None,
    screening_id: UUID | None = None,
    whole: bool = True,
    patient_seen: bool = True,
    follows_record: bool = False,
    source: str = "web",
) -> Screening:
    """Record one dated set of answers with the result per technique; it replaces the one in force.

    Args:
        by: a therapist with access to the patient, or a lead.
        at: when it was asked, not later than now.
        answers: by row or number key, asked at `at`: a word of rules.WORDS or a number in the key's unit.
        by_group: those of `answers` that were given by "I checked these, none apply".
        keep: keys taken over from the screening in force with their time and person, where neither the key nor
            the number or row that answers it is in `answers`; "all" for every one.
        unusual: why a value outside its usual range is right, by key.
        replacing: the id of the screening that the person saw, "" when there was none; None checks nothing.
        screening_id: made by the page or the device; sent again, it makes no second record.
        whole: that all of it was gone through; False for a bedside check, a finding, or what a file says, which
            do not count as screening again after a change of care setting.
        patient_seen: that the patient was seen; False for what a file says.
        follows_record: that it says what a treatment found whose recording was permitted already, as when a tablet
            sends late, after the access had ended: a finding holds all the same.
        source: web, tablet, job or command, for the audit trail.
    Returns: the screening; the one already recorded when it was sent again. One that was asked before the
        one in force began is stored as ended already.
    Raises: NotPermitted; Refused naming the key that cannot be so; Changed when another screening was recorded
        since `replacing`.
    """
    access.require(by, Role.LEAD, Role.THERAPIST)
    _require_visible(by, patient, permitted=follows_record)
    if at > timezone.now():
        # It would hold, or let begin, only later, and the next one would come in behind it.
        raise Refused("at", "The time asked must not lie in the future")
    held = policies.in_force(at)
    rule_table = policy_rules.effective(table.current(), held)
    in_force = Screening.objects.filter(patient=patient, ended_at__isnull=True).first()
    if screening_id is not None:
        again = Screening.objects.filter(pk=screening_id, patient=patient).first()
        if again is not None:
            return again
    if replacing is not None and str(replacing) != (str(in_force.pk) if in_force else ""):
        raise records.Changed(in_force or Screening(patient=patient))
    _by_a_clinician(answers, by)
    given = {
        key: _Given(value, at, by.pk, key in by_group, unusual.get(key, "")[:200])
        for key, value in answers.items()
    }
    late = in_force is not None and at < in_force.started_at
    # What comes late keeps what was known then, never an answer that was given only afterwards.
    before = _in_force_at(patient, at) if late else in_force
    if before is not None:
        given = _kept(before, keep, given, rule_table) | given
    _with_age(given, patient, at, by, rule_table)
    found = _screened(given, rule_table)
    row = Screening(
        pk=screening_id or new_id(),
        patient=patient,
        by=by,
        reason=reason,
        table_version=rule_table.version,
        policy_version=policy_services.note(held),
        started_at=at,
        whole_at=at if whole else before.whole_at if before is not None else None,
    )
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
    lifts.follow_answers(by=by, screening=row, found=found)
    if not late:
        _end_decisions(row, found, by=by, rule_table=rule_table)
    _afterwards(row, by=by, late=late, patient_seen=patient_seen)
    return row


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
    decision_id: UUID | None = None,
) -> Decision:
    """Document a licensed clinician's choice on "clinician must decide", bound to the answers it weighed.

    Args:
        by: an account marked licensed, with access to the patient.
        screening: the one that was read; it must still be in force.
        expires_at: from when the decision counts no longer.
        decision_id: made by the page; sent again, it makes no second record.
    Returns: the decision; an earlier one on the same technique is replaced.
    Raises: NotPermitted; Changed when another screening was recorded since; Refused naming the field.
    """
    access.require_licensed(by)
    patient = screening.patient
    _require_visible(by, patient)
    if decision_id is not None:
        again = Decision.objects.filter(pk=decision_id, patient=patient).first()
        if again is not None:
            return again
    in_force = Screening.objects.filter(patient=patient, ended_at__isnull=True).first()
    if in_force is None or in_force.pk != screening.pk:
        raise records.Changed(in_force or screening)
    found = selectors.guard(patient, technique, at, purpose=Purpose.DISPLAY)
    _check_decision(
        found, proceed=proceed, reason_code=reason_code, reason=reason, at=at, expires_at=expires_at,
        stop_below=stop_below_spo2_percent,
    )  # fmt: skip
    row = Decision(
        pk=decision_id or new_id(),
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
    for flag in selectors.open_hold_flags([patient.pk]):
        if flag.technique != technique:
            continue
        attention.close_flag(
            flag,
            by=by,
            outcome="done",
            words="Decided to proceed" if proceed else "Decided not to proceed",
        )
    return row


def _end_decisions(
    screening: Screening, found: Mapping[str, rules.TechniqueResult], *, by: Person, rule_table: Table
) -> None:
    """End for good every decision that weighed other findings: the old answer coming back does not bring it back."""
    at = screening.started_at
    rows = Decision.objects.filter(
        patient=screening.patient, ended_at__isnull=True, started_at__lte=at, expires_at__gt=at
    )
    running = list(rows.order_by("started_at", "id"))
    before = decided.weighed(running)
    for decision in running:
        result = found.get(decision.technique)
        weighs = result and fingerprint(decision.technique, result.contributions, rule_table)
        if decision.answers_fingerprint != weighs:
            changes = differences(before.get(decision.pk, {}), result.contributions if result else ())
            reason = (
                f"{decided.CHANGED}: {in_words(changes, rule_table)}"[:500] if changes else decided.CHANGED
            )
            records.end(decision, by=by, at=at, reason=reason)
            audit.record(
                action="decision ended", by=by, subject=decision, patient=screening.patient,
                changed=[decision.technique], reason=reason,
            )  # fmt: skip


def _afterwards(row: Screening, *, by: Person, late: bool, patient_seen: bool) -> None:
    """What a new screening brings with it: first seen, who is told of holds, what waited for it."""
    if patient_seen:
        referrals.mark_first_seen(row.patient, at=row.started_at, by=by)
    if not late:
        hold_services.tell_holds(by=by, patient=row.patient, at=row.started_at)
        moves.close_screened_again(row.patient, row, by=by)
    if not late and row.whole_at == row.started_at:
        for flag in selectors.unanswered_findings(row.patient_id):
            if flag.opened_at <= row.started_at:
                attention.close_flag(flag, by=by, outcome="done", words="Screened again")


def _require_visible(by: Person, patient: Patient, *, permitted: bool = False) -> None:
    if not permitted and not access.patients_visible_to(by).filter(pk=patient.pk).exists():
        raise access.NotPermitted("Only for those who look after this patient.")


def _in_force_at(patient: Patient, at: dt.datetime) -> Screening | None:
    """The screening that was in force at an earlier time."""
    return (
        Screening.objects.filter(patient=patient, started_at__lte=at, ended_at__gt=at)
        .order_by("-started_at", "-created_at", "id")
        .first()
    )


def _by_a_clinician(answers: Mapping[str, str | float], by: Person) -> None:
    """That there is no reason to measure counts as no: a licensed clinician says it, and is named beside it."""
    for key, value in answers.items():
        if value == rules.NO_REASON and not by.licensed:
            raise Refused(
                key,
                "Only a licensed clinician may say that there is no reason to measure: choose unknown, or wanted, "
                "not measured",
            )


def _kept(
    in_force: Screening,
    keep: Collection[str] | Literal["all"],
    given: Mapping[str, _Given],
    rule_table: Table,
) -> dict[str, _Given]:
    """Earlier answers that stand beside the new ones, with their own time and person."""
    rows = {one.condition: one for one in in_force.answers.all()}
    stand = check.carried(selectors.answers_of(in_force), keep, given, rule_table)
    return {
        key: _Given(one.value, rows[one.source].answered_at, rows[one.source].answered_by_id,
                    rows[one.source].by_group, rows[one.source].unusual_reason)
        for key, one in stand.items()
    }  # fmt: skip


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
    answers = {key: rules.Answer(one.value, one.at) for key, one in given.items()}
    try:
        rules.check(answers, rule_table)
        rules.check_unmeasured(answers, rule_table)
        return rules.screen(answers, rule_table)
    except NotCalculable as error:
        raise Refused(error.field.rsplit("/", 1)[-1], error.message) from error


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
            unusual_reason=one.unusual_reason,
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
    if not at < expires_at <= at + offers.LONGEST:
        raise Refused("expires_at", "The end must lie in the future and within 12 months")
    if stop_below is not None and not 50 <= stop_below <= 100:
        raise Refused("stop_below_spo2_percent", "SpO2 must be between 50 and 100 %")
