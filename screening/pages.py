"""Puts together what the screening pages show; every page asks a constant number of queries."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.db.models import Prefetch
from django.http import Http404

from clinic import formats
from clinic.patients.models import Patient
from clinic.staff.models import Person
from screening import asked, ordered, rules, selectors, table, versions, words
from screening.comparison import Less, Weighed, less_constrained
from screening.decisions import selectors as decisions
from screening.helps import ANY, HelpNote, help_notes
from screening.holds import Bar, GivenDecision, Guard, Purpose
from screening.lifts import pages as lift_pages
from screening.models import Answer, Screening, TechniqueResult
from screening.policy import selectors as policies
from screening.questions import settling
from screening.table import Grade, Table

MOST_SHOWN = 3
_ANSWERS = Prefetch("answers", queryset=Answer.objects.select_related("answered_by").order_by("id"))
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
    bars: bool = False


@dataclass(frozen=True)
class LessLine:
    """A technique that is less constrained for this patient, and why."""

    words: str
    result: str
    why: str
    strictest: str


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
    by_rules_now: str = ""
    less: tuple[LessLine, ...] = ()
    no_longer: str = ""
    help: tuple[HelpNote, ...] = ()

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
        """What is open, first what could bar the technique."""
        return tuple(sorted((one for one in self.because if one.open), key=lambda one: not one.bars))

    @property
    def asked_first(self) -> tuple[Because, ...]:
        return self.questions[:MOST_SHOWN]

    @property
    def asked_later(self) -> int:
        return len(self.questions) - len(self.asked_first)

    @property
    def told(self) -> tuple[Because, ...]:
        """All of it: what an open answer would change first, then what was found."""
        return (*self.questions, *self.findings)

    @property
    def open_words(self) -> str:
        return formats.count(len(self.questions), "answer is open", "answers are open")


@dataclass(frozen=True)
class ResultPage:
    """A screening as it was, and what stands now on the techniques that are ordered."""

    screening: Screening
    in_force: bool
    rows: tuple[TechniqueRow, ...]
    settles: tuple[asked.Settles, ...]
    asked_again: tuple[asked.AnswerLine, ...]
    answers: tuple[asked.AnswerGroup, ...]
    version_now: str
    earlier: Sequence[Screening]
    sources: tuple[str, ...]
    lifts: tuple[lift_pages.LiftLine, ...] = ()
    help: tuple[HelpNote, ...] = ()


def in_force(patient: Patient) -> Screening | None:
    """The screening that counts now."""
    return (
        Screening.objects.filter(patient=patient, ended_at__isnull=True)
        .select_related("by")
        .prefetch_related(_ANSWERS, "results")
        .first()
    )


def earlier_screening(patient: Patient, screening_id: Any) -> Screening:
    """One screening of a patient. Raises: Http404 where it is not this patient's."""
    found = (
        Screening.objects.filter(patient=patient, pk=screening_id)
        .select_related("by")
        .prefetch_related(_ANSWERS, "results")
        .first()
    )
    if found is None:
        raise Http404
    return found


def result_page(person: Person, patient: Patient, screening: Screening, at: dt.datetime) -> ResultPage:
    """The page of one screening as it was stored; what stands now only where it is in force."""
    rule_table = policies.rule_table(at)
    counts = screening.ended_at is None
    wanted = ordered.techniques([patient.pk])[patient.pk] if counts else ()
    pairs = [(patient.pk, key) for key in rule_table.techniques] if counts else []
    guards = {key: one for (_, key), one in selectors.guards(pairs, at, purpose=Purpose.DISPLAY).items()}
    stored = {one.technique: one for one in sorted(screening.results.all(), key=lambda one: one.pk)}
    rows = _rows(screening, stored, wanted, guards, may_decide=counts and person.licensed)
    no_longer = decisions.no_longer(patient.pk, guards, at) if counts else {}
    rows = tuple(
        replace(
            row,
            no_longer=no_longer.get(row.technique, ""),
            help=tuple(help_notes(row.technique, patient.diagnosis_group, particular=True)),
        )
        for row in rows
    )
    answers = selectors.answers_of(screening)
    again = [key for technique in wanted if technique in guards for key in guards[technique].ask_again]
    return ResultPage(
        screening=screening,
        in_force=counts,
        rows=rows,
        settles=_settles([guards[key] for key in wanted if key in guards], answers, rule_table, at),
        asked_again=asked.asked_again(again, answers, rule_table, at),
        answers=asked.answers_given(
            screening.answers.all(),
            versions.known(screening.table_version),
            lives=rule_table if counts else None,
            at=at,
        ),
        version_now=rule_table.version if counts and rule_table.version != screening.table_version else "",
        earlier=list(
            Screening.objects.filter(patient=patient)
            .exclude(pk=screening.pk)
            .select_related("by")
            .order_by("-started_at", "-created_at", "id")[:10]
        ),
        lifts=lift_pages.lines_of(patient.pk, guards, at) if counts else (),
        help=tuple(help_notes(ANY, patient.diagnosis_group)),
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
    said = _named(screening, stored.values())
    row = _row(stored[technique], said, True, found, may_decide=True)
    no_longer = decisions.no_longer(patient.pk, {technique: found}, at).get(technique, "")
    return screening, replace(row, no_longer=no_longer), found


def _rows(
    screening: Screening,
    stored: Mapping[str, TechniqueResult],
    wanted: Sequence[str],
    guards: Mapping[str, Guard],
    *,
    may_decide: bool,
) -> tuple[TechniqueRow, ...]:
    """Every technique that was screened, the ordered ones first."""
    said = _named(screening, stored.values())
    rows = [
        _row(stored[key], said, key in wanted, guards.get(key), may_decide=may_decide)
        for key in dict.fromkeys((*(key for key in wanted if key in stored), *stored))
    ]
    weighed = {
        row.technique: Weighed(row.result, [one.said for one in row.findings], len(row.questions))
        for row in rows
    }
    return tuple(
        replace(row, less=tuple(_less(one, said) for one in less_constrained(row.technique, weighed)))
        if row.result is rules.Result.DO_NOT_START
        else row
        for row in rows
    )


def _named(screening: Screening, stored: Iterable[TechniqueResult]) -> dict[str, str]:
    """The techniques as they were called when it was screened."""
    of = versions.known(screening.table_version) or table.current()
    return {
        one.technique: one.explanation.get("technique") or of.techniques.get(one.technique, one.technique)
        for one in stored
    }


def _less(one: Less, said: Mapping[str, str]) -> LessLine:
    found = formats.count(one.findings, "finding") if one.findings else "no finding"
    still_open = f", {formats.count(one.open_rows, 'answer')} open" if one.open_rows else ""
    return LessLine(
        words=said[one.technique],
        result=words.result(one.result),
        why=f"{found}{still_open}",
        strictest=one.strictest,
    )


def _row(
    stored: TechniqueResult,
    said: Mapping[str, str],
    is_ordered: bool,
    found: Guard | None,
    *,
    may_decide: bool,
) -> TechniqueRow:
    result = rules.Result(stored.result)
    return TechniqueRow(
        technique=stored.technique,
        words=said[stored.technique],
        ordered=is_ordered,
        result=result,
        because=tuple(_because(one) for one in stored.explanation["because"]),
        decision=found.decision if found else None,
        hold=found if found and found.clinical and is_ordered else None,
        lifts=lift_pages.counting(found) if found else (),
        liftable=lift_pages.liftable(found) if found and is_ordered else (),
        never_lifted=found is not None and lift_pages.never(found),
        now=_with_lifts(found),
        by_rules_now=_by_rules_now(result, found),
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


def _by_rules_now(stored: rules.Result, found: Guard | None) -> str:
    """What the rules in force now make of the same answers, where that is not what was shown then."""
    if found is None or found.lifts or found.result in (None, stored):
        return ""
    return words.result(found.result)


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
        bars=one["grade"] == Grade.ABSOLUTE,
    )


def _settles(
    ordered_guards: Iterable[Guard], answers: Mapping[str, rules.Answer], rule_table: Table, at: dt.datetime
) -> tuple[asked.Settles, ...]:
    """For each ordered technique that waits for answers, the shortest set that settles it."""
    found = []
    for guard in ordered_guards:
        if guard.result is None:
            continue
        result = rules.TechniqueResult(guard.technique, guard.result, guard.because, ())
        one = settling(result, answers, rule_table)
        if one.questions:
            found.append(asked.settles(one, answers, rule_table, at))
    return tuple(found)
