"""Which questions settle a technique, the shortest set of them first. Pure, without clock and database.

A question is one row, one number, or a group of rows answered together ("I checked these: none applies"). A technique
is settled when no row that bears on it is open any more, or when it is contraindicated already: nothing that is
answered then makes it less strict.
"""

import datetime as dt
import itertools
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from clinic.calculation import NotCalculable
from screening import rules
from screening.check import NOT_ASKED, carried
from screening.rules import SEVERITY, Answer, Contribution, Result, TechniqueResult
from screening.table import Grade, Table


class Kind(StrEnum):
    """What is asked with one question."""

    ROW = "row"
    NUMBER = "number"
    GROUP = "group"


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question that is open.

    Attributes:
        key: of the row, the number or the group.
        rows: the open rows that it settles, those that could bar the technique first.
        could_be: the worst that its answer can make of the technique.
        out_of_date: each of its rows was answered before, but that answer is past its shelf life.
    """

    kind: Kind
    key: str
    rows: tuple[str, ...]
    could_be: Result
    out_of_date: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """The shortest set of questions that settles one technique, what could bar it first.

    ``beyond`` are open rows that nobody is asked: they follow from the birth date, which is not known.
    """

    technique: str
    result: Result
    questions: tuple[Question, ...]
    beyond: tuple[str, ...] = ()

    @property
    def rows(self) -> frozenset[str]:
        """Every row that the questions settle."""
        return frozenset(row for one in self.questions for row in one.rows)


@dataclass(frozen=True, slots=True)
class Asking:
    """All that is open: what settles the ordered techniques, one after the other, then the rest row by row."""

    settlings: tuple[Settling, ...]
    others: tuple[Question, ...]


def in_order(
    results: Mapping[str, TechniqueResult],
    answers: Mapping[str, Answer],
    table: Table,
    ordered: Sequence[str],
    *,
    at: dt.datetime | None = None,
) -> Asking:
    """Everything that is open, in the order in which it is asked.

    Args:
        results: of `rules.screen`, with the local policy and at the time that count.
        answers, table, at: what the results were worked out from.
        ordered: the techniques to settle first; each asks only what those before it leave open.
    """
    asked: set[str] = set()
    settlings = []
    for technique in ordered:
        one = settling(results[technique], answers, table, at=at, but=asked)
        asked |= one.rows
        settlings.append(one)
    open_rows: dict[str, list[Contribution]] = {}
    for found in results.values():
        if found.result is Result.DO_NOT_START:
            continue
        for part in _open(found):
            if part.cell.condition not in asked and _askable(part.cell.condition, table):
                open_rows.setdefault(part.cell.condition, []).append(part)
    others = [_question(Kind.ROW, key, parts, table) for key, parts in open_rows.items()]
    return Asking(tuple(settlings), _sorted(others, table))


def settling(
    found: TechniqueResult,
    answers: Mapping[str, Answer],
    table: Table,
    *,
    at: dt.datetime | None = None,
    but: Collection[str] = (),
) -> Settling:
    """The shortest set of questions after whose answers no row of the technique is open.

    Args:
        found: the technique's result, with the local policy and at the time that count.
        answers, table, at: what it was worked out from.
        but: rows that are asked already.
    """
    if found.result is Result.DO_NOT_START:
        return Settling(technique=found.technique, result=found.result, questions=())
    parts = {part.cell.condition: part for part in _open(found)}
    wanted = [row for row in parts if row not in but and _askable(row, table)]
    bars = [row for row in wanted if parts[row].cell.grade is Grade.ABSOLUTE]
    known = [row for row in table.bearing_on(found.technique) if row not in parts]
    cover = _Cover(answers, table, at, bars, known)
    numbers = cover.shortest(wanted)
    by_number = cover.settled(wanted, numbers)
    questions = [
        _question(
            Kind.NUMBER,
            key,
            [parts[row] for row in by_number if key in rules.answered_with(table.conditions[row])],
            table,
        )
        for key in numbers
    ]
    for group, rows in cover.by_words([row for row in wanted if row not in by_number]):
        if group:
            questions.append(_question(Kind.GROUP, group, [parts[row] for row in rows], table))
        else:
            questions.extend(_question(Kind.ROW, row, [parts[row]], table) for row in rows)
    return Settling(
        technique=found.technique,
        result=found.result,
        questions=_sorted(questions, table),
        beyond=tuple(row for row in parts if not _askable(row, table)),
    )


def given(
    answers: Mapping[str, Answer], new: Mapping[str, str | float], table: Table, at: dt.datetime | None
) -> dict[str, Answer]:
    """The answers that stand once `new` ones are given beside the earlier: a word replaces a number, and so on."""
    stand = carried(answers, "all", new, table)
    kept = {key: Answer(one.value, answers[one.source].at) for key, one in stand.items()}
    return kept | {key: Answer(value, at) for key, value in new.items()}


def representatives(number: str, table: Table) -> tuple[float, ...]:
    """One value of each stretch of a number's range in which every row says the same."""
    of = table.numbers[number]
    edges = {of.hard_low, of.hard_high}
    for condition in table.conditions.values():
        local = table.local.get(condition.key, {}).values()
        for one in (*condition.thresholds, *(bound.threshold for bounds in local for bound in bounds)):
            if one.number == number:
                edges.update(one.edges)
            if one.asked_when == number and one.asked_more_than is not None:
                edges.add(one.asked_more_than)
    inside = sorted(edge for edge in edges if of.hard_low <= edge <= of.hard_high)
    between = ((low + high) / 2 for low, high in itertools.pairwise(inside))
    return tuple(sorted({*inside, *between}))


class _Cover:
    """Which open rows are settled by which numbers, whatever their values turn out to be.

    A value that leaves a row open settles it too where the same value bars the technique by one of ``bars``. A number
    that could open one of the rows ``known`` now is no way to settle anything.
    """

    def __init__(
        self,
        answers: Mapping[str, Answer],
        table: Table,
        at: dt.datetime | None,
        bars: Sequence[str],
        known: Sequence[str],
    ) -> None:
        self._answers, self._table, self._at, self._bars = answers, table, at, bars
        self._kept = [row for row in known if self._asked_by(row)]
        self._known: dict[tuple[str, frozenset[str]], bool] = {}
        self._values: dict[str, tuple[float, ...]] = {}

    def shortest(self, rows: Sequence[str]) -> tuple[str, ...]:
        """The numbers of the shortest set; where two are as short, numbers that answer several rows at once."""
        asked_by = {row: self._asked_by(row) for row in rows}
        by_word_only = [row for row in rows if not asked_by[row]]
        always = self._words_needed(by_word_only)
        answerable = [row for row in rows if asked_by[row]]
        useful = [key for key in self._table.numbers if any(key in asked_by[row] for row in answerable)]
        best: tuple[str, ...] = ()
        least = (self._words_needed(rows), 0)
        for size in range(1, len(useful) + 1):
            if size + always > least[0]:
                break
            for numbers in itertools.combinations(useful, size):
                if any(
                    self._asked_by(row).intersection(numbers) and not self._settles(row, numbers)
                    for row in self._kept
                ):
                    continue
                done = self.settled(answerable, numbers)
                rest = [row for row in answerable if row not in done]
                needed = size + self._words_needed([*by_word_only, *rest])
                answered = (sum(key in asked_by[row] for row in done) for key in numbers)
                cost = (needed, sum(-1 if count > 1 else 1 for count in answered))
                if cost < least:
                    best, least = numbers, cost
        return best

    def settled(self, rows: Iterable[str], numbers: Collection[str]) -> tuple[str, ...]:
        """Those rows that the numbers settle together, whatever they are."""
        return tuple(row for row in rows if self._settles(row, numbers))

    def by_words(self, rows: Iterable[str]) -> Iterator[tuple[str, list[str]]]:
        """Rows that are answered by words: several of a group together, any other one by itself."""
        groups: dict[str, list[str]] = {}
        for row in rows:
            if self._ticked(row):
                groups.setdefault(self._table.conditions[row].group, []).append(row)
            else:
                yield "", [row]
        for group, of_group in groups.items():
            yield (group if len(of_group) > 1 else ""), of_group

    def _words_needed(self, rows: Iterable[str]) -> int:
        return sum(1 if group else len(of) for group, of in self.by_words(rows))

    def _ticked(self, row: str) -> bool:
        """Whether "none applies" answers it: not where something was said of a number that decides it."""
        for key in self._table.conditions[row].deciding_numbers:
            said = self._answers.get(key)
            if said is None or said.value == rules.UNKNOWN:
                continue
            if not rules.expired(said, self._table.numbers[key], self._table, self._at):
                return False
        return True

    def _asked_by(self, row: str) -> frozenset[str]:
        """The numbers that bear on it."""
        bearing = rules.answered_with(self._table.conditions[row])
        return frozenset(self._table.numbers.keys() & bearing) - NOT_ASKED

    def _settles(self, row: str, numbers: Collection[str]) -> bool:
        of_row = self._asked_by(row).intersection(numbers)
        if not of_row:
            return False
        place = (row, of_row)
        if place not in self._known:
            self._known[place] = self._try(row, sorted(of_row))
        return self._known[place]

    def _try(self, row: str, numbers: Sequence[str]) -> bool:
        bars = [one for one in self._bars if one != row and self._asked_by(one).intersection(numbers)]
        bearing = {key for one in (row, *bars) for key in rules.answered_with(self._table.conditions[one])}
        before = {key: self._answers[key] for key in bearing if key in self._answers}
        for values in itertools.product(*map(self._values_of, numbers)):
            now = given(before, dict(zip(numbers, values, strict=True)), self._table, self._at)
            if self._state(row, now) == rules.UNKNOWN and rules.YES not in (
                self._state(one, now) for one in bars
            ):
                return False
        return True

    def _state(self, row: str, answers: Mapping[str, Answer]) -> str:
        try:
            return rules.row_state(row, answers, self._table, self._at)[0]
        except NotCalculable:
            return rules.UNKNOWN

    def _values_of(self, number: str) -> tuple[float, ...]:
        if number not in self._values:
            self._values[number] = representatives(number, self._table)
        return self._values[number]


def _open(found: TechniqueResult) -> tuple[Contribution, ...]:
    return tuple(part for part in found.contributions if part.result is Result.INCOMPLETE)


def _askable(row: str, table: Table) -> bool:
    return not NOT_ASKED.intersection(table.conditions[row].numbers)


def _question(kind: Kind, key: str, parts: Sequence[Contribution], table: Table) -> Question:
    place = {row: index for index, row in enumerate(table.conditions)}
    parts = sorted(
        parts, key=lambda part: (part.cell.grade is not Grade.ABSOLUTE, place[part.cell.condition])
    )
    bars = any(part.cell.grade is Grade.ABSOLUTE for part in parts)
    return Question(
        kind=kind,
        key=key,
        rows=tuple(dict.fromkeys(part.cell.condition for part in parts)),
        could_be=Result.DO_NOT_START if bars else Result.CLINICIAN_MUST_DECIDE,
        out_of_date=all(part.out_of_date for part in parts),
    )


def _sorted(questions: Iterable[Question], table: Table) -> tuple[Question, ...]:
    """What could bar the technique first, then what settles most rows, then as the table has it."""
    place = {key: index for index, key in enumerate((*table.groups, *table.numbers, *table.conditions))}
    return tuple(sorted(questions, key=lambda one: (-SEVERITY[one.could_be], -len(one.rows), place[one.key])))
