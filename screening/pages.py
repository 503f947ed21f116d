"""Puts together what the screening pages show; every page asks a constant number of queries."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.http import Http404

from clinic import formats
from clinic.patients.models import Patient
from clinic.staff.models import Person
from screening import ordered, rules, selectors, table, words
from screening.holds import Bar, GivenDecision, Guard, Purpose
from screening.lifts import pages as lift_pages
from screening.models import Screening, TechniqueResult
from screening.table import Grade

MOST_SHOWN = 3
TONES = {
    rules.Result.NONE_FOUND: "",
    rules.Result.CLINICIAN_MUST_DECIDE: "look-text",
    rules.Result.INCOMPLETE: "look-text",
    rules.Result.DO_NOT_START: "stop-text",
}


@dataclass(frozen=True)
class Because:
    """One finding or open question as it was shown when the screening was recorded."""

    said: str
    meaning: str
    answer: str
    reason: str
    source: str
    citations: tuple[str, ...]
    star: bool
    conflict: str
    open: bool


@dataclass(frozen=True)
class TechniqueRow:
    """One technique of a screening: the result in words, why, and the decision that stands."""

    technique: str
    words: str
    ordered: bool
    result: rules.Result
    because: tuple[Because, ...]
    decision: GivenDecision | None
    can_decide: bool
    hold: Guard | None = None
    lifts: tuple[lift_pages.Counts, ...] = ()
    liftable: tuple[tuple[str, str], ...] = ()
    never_lifted: bool = False
    now: str = ""

    @property
    def result_words(self) -> str:
        return words.result(self.result)

    @property
    def tone(self) -> str:
        return TONES[self.result]

    @property
    def findings(self) -> tuple[Because, ...]:
        """What was found, the strictest first; open questions follow in `questions`."""
        return tuple(one for one in self.because if not one.open)

    @property
    def shown(self) -> tuple[Because, ...]:
        return self.findings[:MOST_SHOWN]

    @property
    def more(self) -> int:
        return len(self.findings) - len(self.shown)

    @property
    def questions(self) -> tuple[Because, ...]:
        return tuple(one for one in self.because if one.open)

    @property
    def open_words(self) -> str:
        return formats.count(len(self.questions), "answer is open", "answers are open")


@dataclass(frozen=True)
class Settles:
    """The questions that settle an ordered technique, or the last of them."""

    technique: str
    words: str
    questions: tuple[str, ...]
    more: int
    count: str


@dataclass(frozen=True)
class ResultPage:
    """A screening as it was, and what stands now on the techniques that are ordered."""

    screening: Screening
    in_force: bool
    rows: tuple[TechniqueRow, ...]
    settles: tuple[Settles, ...]
    asked_again: tuple[str, ...]
    earlier: Sequence[Screening]
    sources: tuple[str, ...]
    lifts: tuple[lift_pages.LiftLine, ...] = ()


def in_force(patient: Patient) -> Screening | None:
    """The screening that counts now."""
    return (
        Screening.objects.filter(patient=patient, ended_at__isnull=True)
        .select_related("by")
        .prefetch_related("answers", "results")
        .first()
    )


def earlier_screening(patient: Patient, screening_id: Any) -> Screening:
    """One screening of a patient. Raises: Http404 where it is not this patient's."""
    found = (
        Screening.objects.filter(patient=patient, pk=screening_id)
        .select_related("by")
        .prefetch_related("answers", "results")
        .first()
    )
    if found is None:
        raise Http404
    return found


def result_page(person: Person, patient: Patient, screening: Screening, at: dt.datetime) -> ResultPage:
    """The page of one screening; decisions and what is asked again only where it is in force."""
    rule_table = table.current()
    counts = screening.ended_at is None
    wanted = ordered.techniques([patient.pk])[patient.pk]
    pairs = [(patient.pk, key) for key in rule_table.techniques] if counts else []
    guards = {key: one for (_, key), one in selectors.guards(pairs, at, purpose=Purpose.DISPLAY).items()}
    stored = {one.technique: one for one in screening.results.all()}
    keys = [key for key in (*wanted, *rule_table.techniques) if key in stored]
    rows = tuple(
        _row(stored[key], key in wanted, guards.get(key), may_decide=counts and person.licensed)
        for key in dict.fromkeys(keys)
    )
    again = [key for technique in wanted if technique in guards for key in guards[technique].ask_again]
    return ResultPage(
        screening=screening,
        in_force=counts,
        rows=rows,
        settles=tuple(_settles(row) for row in rows if counts and row.ordered and row.questions),
        asked_again=tuple(rule_table.words(key) for key in dict.fromkeys(again)),
        earlier=list(
            Screening.objects.filter(patient=patient)
            .exclude(pk=screening.pk)
            .select_related("by")
            .order_by("-started_at", "-created_at", "id")[:10]
        ),
        lifts=lift_pages.lines_of(patient.pk, guards, at) if counts else (),
        sources=tuple(
            dict.fromkeys(citation for row in rows for one in row.because for citation in one.citations)
        ),
    )


def to_decide(patient: Patient, technique: str, at: dt.datetime) -> tuple[Screening, TechniqueRow, Guard]:
    """What a decision on a technique weighs. Raises: Http404 where there is nothing to decide."""
    screening = in_force(patient)
    if screening is None or technique not in table.current().techniques:
        raise Http404
    found = selectors.guard(patient, technique, at, purpose=Purpose.DISPLAY)
    stored = {one.technique: one for one in screening.results.all()}
    if found.result is not rules.Result.CLINICIAN_MUST_DECIDE or technique not in stored:
        raise Http404
    return screening, _row(stored[technique], True, found, may_decide=True), found


def _row(stored: TechniqueResult, is_ordered: bool, found: Guard | None, *, may_decide: bool) -> TechniqueRow:
    result = rules.Result(stored.result)
    return TechniqueRow(
        technique=stored.technique,
        words=words.technique(stored.technique, table.current()),
        ordered=is_ordered,
        result=result,
        because=tuple(_because(one) for one in stored.explanation["because"]),
        decision=found.decision if found else None,
        hold=found if found and found.clinical and is_ordered else None,
        lifts=lift_pages.counting(found) if found else (),
        liftable=lift_pages.liftable(found) if found and is_ordered else (),
        never_lifted=found is not None and lift_pages.never(found),
        now=_with_lifts(found),
        can_decide=may_decide
        and found is not None
        and found.bar in (Bar.NOTHING, Bar.DECISION_WANTED, Bar.DECIDED_AGAINST)
        and found.result is rules.Result.CLINICIAN_MUST_DECIDE,
    )


def _with_lifts(found: Guard | None) -> str:
    """What the technique reads with its lifts, in words; empty where nothing is lifted."""
    if found is None or not found.lifts or found.result is None:
        return ""
    if found.allowed and found.decision is None:
        return "a clinician must decide, and the lift gives the decision"
    said = words.result(found.result)
    return f"{said[:1].lower()}{said[1:]}"


def _because(one: dict[str, Any]) -> Because:
    still_open = one["result"] == rules.Result.INCOMPLETE
    return Because(
        said=one["said"],
        meaning=words.GRADE_WORDS[Grade(one["grade"])],
        answer=one["words"],
        reason=one["reason"],
        source=one["source"],
        citations=tuple(one["citations"]),
        star=one["star"],
        conflict=one["conflict"],
        open=still_open,
    )


def _settles(row: TechniqueRow) -> Settles:
    most = 8
    questions = tuple(one.said for one in row.questions)
    return Settles(
        technique=row.technique,
        words=row.words,
        questions=questions[:most],
        more=max(0, len(questions) - most),
        count=formats.count(len(questions), "answer settles", "answers settle"),
    )
