"""Screenings of the demo with every answer and result, and the decisions that some of them want."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from clinic.models import Patient, Person
from screening import rules, table, words
from screening.holds import fingerprint
from screening.models import Answer, Decision, Screening, TechniqueResult
from screening.rules import Result
from screening.selectors import THOUSANDTHS
from screening.table import Life
from therapy.pages.demo.book import Book
from therapy.pages.demo.cases import Case

DECISION_DAYS = 7


@dataclass
class Screenings:
    """The screenings of one patient, the last of them in force, and when each kind of answer was last asked."""

    book: Book
    case: Case
    patient: Patient
    last: Screening | None = None
    asked: dict[Life, datetime] = field(default_factory=dict)
    decision: Decision | None = None
    findings: dict[str, str | float] = field(default_factory=dict)

    def ask(self, at: datetime, by: Person, reason: str) -> dict[str, rules.TechniqueResult]:
        """Screen at a time: bedside answers always anew, those of the day once a day, standing ones once."""
        due = {Life.NOW: timedelta(0), Life.TODAY: timedelta(hours=20), Life.STANDING: timedelta(days=9999)}
        for life, spell in due.items():
            if life not in self.asked or at - self.asked[life] >= spell:
                self.asked[life] = at
        answers = self._answers()
        before, self.last = self.last, Screening(
            id=self.book.new_id(at), patient=self.patient, by=by, reason=reason, started_at=at, created_at=at,
            table_version=table.current().version, replaces=self.last,
        )  # fmt: skip
        if before is not None:
            before.ended_at, before.ended_by, before.ended_reason = at, by, reason
        self.book.add(self.last)
        self._keep(self.last, answers, by)
        results = _screened(answers)
        for technique, result in results.items():
            self.book.add(
                TechniqueResult(
                    screening=self.last,
                    technique=technique,
                    result=result.result,
                    explanation=words.explanation(result, table.current()),
                )
            )
        return results

    def decide(self, technique: str, result: rules.TechniqueResult, at: datetime, by: Person) -> None:
        """Write the decision to proceed, once it is wanted and the one before has run out."""
        if result.result is not Result.CLINICIAN_MUST_DECIDE or self.last is None:
            return
        weighed = fingerprint(technique, result.contributions, table.current())
        before = self.decision
        if before and before.answers_fingerprint == weighed and before.expires_at > at + timedelta(days=1):
            return
        self.decision = Decision(
            id=self.book.new_id(at), screening=self.last, patient=self.patient, technique=technique, proceed=True,
            reason_code="benefit_outweighs", reason="Retained sputum is the greater risk; no better technique here",
            conditions="Watch SpO2 throughout; stop at the first sign of distress", stop_below_spo2_percent=88,
            expires_at=at + timedelta(days=DECISION_DAYS), decided_by=by, answers_fingerprint=weighed,
            started_at=at, created_at=at, replaces=before,
        )  # fmt: skip
        if before is not None:
            before.ended_at, before.ended_by, before.ended_reason = at, by, "decided anew"
        self.book.add(self.decision)

    def _answers(self) -> dict[str, str | float]:
        rule_table = table.current()
        answers: dict[str, str | float] = dict.fromkeys(rule_table.conditions, rules.NO)
        answers |= dict.fromkeys(rule_table.numbers, rules.NO_REASON)
        answers |= {"age_years": float(int(self.case.age)), "minutes_since_meal": 120.0}
        answers |= dict.fromkeys(self.case.conditions, rules.YES)
        answers |= self.findings
        for key, number in rule_table.numbers.items():
            asked_for = any(answers[trigger] == rules.YES for trigger in number.trigger_conditions)
            if answers[key] == rules.NO_REASON and asked_for:
                answers[key] = rules.UNKNOWN
        return answers

    def _keep(self, screening: Screening, answers: Mapping[str, str | float], by: Person) -> None:
        rule_table = table.current()
        for key, value in answers.items():
            row = rule_table.conditions.get(key) or rule_table.numbers[key]
            self.book.add(
                Answer(
                    screening=screening, condition=key, kind=value if isinstance(value, str) else "value",
                    value=None if isinstance(value, str) else round(value * THOUSANDTHS),
                    answered_at=self.asked[row.life], answered_by=by, by_group=value == rules.NO,
                )
            )  # fmt: skip


_known: dict[tuple[tuple[str, str | float], ...], dict[str, rules.TechniqueResult]] = {}


def _screened(answers: Mapping[str, str | float]) -> dict[str, rules.TechniqueResult]:
    key = tuple(sorted(answers.items()))
    if key not in _known:
        _known[key] = rules.screen(
            {name: rules.Answer(value) for name, value in answers.items()}, table.current()
        )
    return _known[key]
