"""Puts together what the pages about lifts show."""

import datetime as dt
from dataclasses import dataclass
from uuid import UUID

from django.http import Http404

from clinic.patients.models import Patient
from clinic.staff.models import Person
from screening import selectors as screenings
from screening import table, words
from screening.holds import Guard, Purpose
from screening.lifts import rules, selectors
from screening.lifts.models import Lift
from screening.lifts.selectors import LiftRow
from screening.rules import Contribution, Result


@dataclass(frozen=True)
class Bar:
    """One "do not start" of a patient and technique: what was found, why it bars, and whether it may be lifted."""

    technique: str
    technique_words: str
    condition: str
    said: str
    reason: str
    source: str
    conflict: str
    refused: str
    lifts: tuple[LiftRow, ...]

    @property
    def waiting(self) -> LiftRow | None:
        """The lift that waits for a signature; there is one at most."""
        return next((one for one in self.lifts if one.waits), None)


@dataclass(frozen=True)
class LiftPage:
    """One lift: what it lifts, who has signed, and what this person may do."""

    row: LiftRow
    technique_words: str
    said: str
    reason: str
    source: str
    counts_now: bool
    may_sign: bool
    signs_as: str
    why_not: str


@dataclass(frozen=True)
class LiftLine:
    """One lift in the list beside a screening."""

    row: LiftRow
    technique_words: str
    said: str
    counts_now: bool


def bar(patient: Patient, technique: str, condition: str, at: dt.datetime) -> Bar:
    """What is to be lifted. Raises: Http404 where this finding does not bar this technique now."""
    rule_table = table.current()
    if technique not in rule_table.techniques:
        raise Http404
    found = screenings.guard(patient, technique, at, purpose=Purpose.DISPLAY)
    part = next((one for one in found.because if one.cell.condition == condition), None)
    if part is None or part.result is Result.INCOMPLETE:
        raise Http404
    rows = (
        one
        for one in selectors.of_patient(patient.pk, at)
        if (one.lift.technique, one.lift.condition) == (technique, condition)
    )
    return Bar(
        technique=technique,
        technique_words=words.technique(technique, rule_table),
        condition=condition,
        said=words.finding(part, rule_table),
        reason=part.cell.reason,
        source=rule_table.cite(part.cell),
        conflict=part.cell.conflict,
        refused=rules.refusal(part.cell, rule_table),
        lifts=tuple(rows),
    )


def of_lift(person: Person, lift: Lift, at: dt.datetime) -> LiftPage:
    """One lift in full."""
    rule_table = table.current()
    row = selectors.row_of(lift, at)
    found = screenings.guard(lift.patient_id, lift.technique, at, purpose=Purpose.DISPLAY)
    part = next((one for one in found.because if one.cell.condition == lift.condition), None)
    cell = part.cell if part else rule_table.cells[lift.condition, lift.technique]
    why_not, signs_as = _signing(person, row, part)
    return LiftPage(
        row=row,
        technique_words=words.technique(lift.technique, rule_table),
        said=words.finding(part, rule_table) if part else rule_table.conditions[lift.condition].words,
        reason=cell.reason,
        source=rule_table.cite(cell),
        counts_now=str(lift.pk) in {one.id for one in found.lifts},
        may_sign=row.waits and not why_not,
        signs_as=signs_as,
        why_not=why_not if row.waits else "",
    )


def lines_of(patient_id: UUID, guards: dict[str, Guard], at: dt.datetime) -> tuple[LiftLine, ...]:
    """Every lift of a patient that counts, waits or is over, the newest first, for the page of the screening."""
    rule_table = table.current()
    counting = {lift.id for one in guards.values() for lift in one.lifts}
    return tuple(
        LiftLine(
            row=row,
            technique_words=words.technique(row.lift.technique, rule_table),
            said=rule_table.conditions[row.lift.condition].words,
            counts_now=str(row.lift.pk) in counting,
        )
        for row in selectors.of_patient(patient_id, at)
        if row.lift.technique in rule_table.techniques and row.lift.condition in rule_table.conditions
    )


@dataclass(frozen=True)
class Counts:
    """A lift that counts for a technique, as its row says it."""

    words: str
    prescriber: str
    second: str
    expires_at: dt.datetime


def counting(found: Guard) -> tuple[Counts, ...]:
    """The lifts that count for a technique now."""
    rule_table = table.current()
    return tuple(
        Counts(rule_table.conditions[one.condition].words, one.prescriber, one.second, one.expires_at)
        for one in found.lifts
    )


def liftable(found: Guard) -> tuple[tuple[str, str], ...]:
    """The findings that bar a technique now and may be lifted: row and its words."""
    rule_table = table.current()
    return tuple(
        (part.cell.condition, rule_table.conditions[part.cell.condition].words)
        for part in found.because
        if part.result is Result.DO_NOT_START and rules.may_be_lifted(part.cell)
    )


def never(found: Guard) -> bool:
    """Whether a published cell bars too, so that lifting the others would not let it start."""
    return any(
        part.result is Result.DO_NOT_START and not rules.may_be_lifted(part.cell) for part in found.because
    )


def _signing(person: Person, row: LiftRow, part: Contribution | None) -> tuple[str, str]:
    """Why this person may not sign, empty where nothing is against it; and as whom."""
    if not person.licensed:
        return "Only an account marked as a licensed clinician signs", ""
    if (
        part is None
        or rules.answer_text(part.answer) != row.lift.answer
        or not rules.may_be_lifted(part.cell)
    ):
        return "The answer it was made for is not the one that counts now", ""
    mine, why_not = selectors.signing(person, row)
    return why_not, str(mine.label) if mine else ""
