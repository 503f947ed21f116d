"""From answers to a result per technique: pure, without clock and database.

Unknown is never "no". A result is the worst over the cells of its technique, in the order none found,
clinician must decide, incomplete, do not start; it lists every cell that counts against starting.
"""

import datetime as dt
import functools
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from clinic.calculation import NotCalculable
from screening.answers import (
    NO,
    NO_REASON,
    NOT_MEASURED,
    NUMBER_WORDS,
    UNKNOWN,
    WORDS,
    YES,
    Answer,
    check,
    check_unmeasured,
    expired,
    keys_too_old,
    too_old,
)
from screening.table import Cell, Condition, Grade, Table, Threshold

__all__ = [
    "NO",
    "NOT_MEASURED",
    "NO_REASON",
    "NUMBER_WORDS",
    "SEVERITY",
    "UNKNOWN",
    "WORDS",
    "YES",
    "Answer",
    "Contribution",
    "Result",
    "TechniqueResult",
    "answered_with",
    "check",
    "check_unmeasured",
    "expired",
    "keys_too_old",
    "row_state",
    "rows_by_answer",
    "screen",
    "too_old",
    "worst",
]

_NO_WORDS = frozenset((NO, NO_REASON))


class Result(StrEnum):
    """What a screening says about one technique. "None found" is never worded as "safe"."""

    NONE_FOUND = "none_found"
    CLINICIAN_MUST_DECIDE = "clinician_must_decide"
    INCOMPLETE = "incomplete"
    DO_NOT_START = "do_not_start"


SEVERITY = {result: place for place, result in enumerate(Result)}


@dataclass(frozen=True, slots=True)
class Contribution:
    """One cell that counts against starting, with the answer that made it count.

    ``answered_by`` is the row's own key or the number that answered it; ``out_of_date`` says that an answer
    was there but older than its shelf life; ``left_out`` that there was none; ``here`` from where the number counts
    by local policy, where it would not count by the table.
    """

    cell: Cell
    result: Result
    answer: str | float
    answered_by: str
    out_of_date: bool = False
    left_out: bool = False
    here: str = ""


@dataclass(frozen=True, slots=True)
class TechniqueResult:
    """The result for one technique.

    Attributes:
        contributions: every cell with a result above "none found", the worst first.
        missing: keys left out that would settle an open row: rows, and the numbers that answer them.
    """

    technique: str
    result: Result
    contributions: tuple[Contribution, ...]
    missing: tuple[str, ...]

    @property
    def unsettled(self) -> tuple[str, ...]:
        """Every row that keeps the technique incomplete, also where "unknown" was answered."""
        return tuple(one.cell.condition for one in self.contributions if one.result is Result.INCOMPLETE)

    @property
    def out_of_date(self) -> tuple[str, ...]:
        """The rows whose answer is older than its shelf life and counts as unknown."""
        return tuple(one.cell.condition for one in self.contributions if one.out_of_date)


def screen(
    answers: Mapping[str, Answer],
    table: Table,
    *,
    techniques: Iterable[str] | None = None,
    at: dt.datetime | None = None,
    rows: Collection[str] | None = None,
) -> dict[str, TechniqueResult]:
    """The result for each technique.

    Args:
        answers: by row or number key; a key left out counts as unknown.
        table: the rule table, as it holds under local policy.
        techniques: only these; all when left out.
        at: with a time, an answer older than its shelf life by then counts as unknown (needed to begin);
            without one every answer counts as it stands (ahead of time).
        rows: only what these rows say, where a call before checked the answers and told the rest; all when left out.

    Raises:
        NotCalculable: unknown_field, wrong_type, out_of_range, or inconsistent when a row and its number
            disagree.
    """
    if rows is None:
        check(answers, table)
    grid = _grid(table)
    wanted = tuple(table.techniques) if techniques is None else tuple(techniques)
    found: dict[str, tuple[list[Contribution], ...]] = {key: ([], [], []) for key in wanted}
    missing: dict[str, list[str]] = {key: [] for key in wanted}
    bearing = grid.rows_for(wanted)
    for condition in bearing if rows is None else [one for one in bearing if one.key in rows]:
        if not condition.thresholds:
            answer = answers.get(condition.key)
            # Nearly every row of nearly every screening: answered no, and in date.
            if (
                answer is not None
                and answer.value in _NO_WORDS
                and (at is None or not expired(answer, condition, table, at))
            ):
                continue
        verdict = _verdict(condition, answers, table, at)
        local = _local(condition, answers, table, at)
        if verdict.state == NO and not verdict.by_technique and not local:
            continue
        absent = _absent(condition, answers) if verdict.state == UNKNOWN else ()
        for part in grid.parts(condition.key, verdict, local):
            technique = part.cell.technique
            if technique not in found:
                continue
            if part.result is Result.DO_NOT_START:
                found[technique][0].append(part)
            elif part.result is Result.INCOMPLETE:
                found[technique][1].append(part)
                missing[technique].extend(absent)
            else:
                found[technique][2].append(part)
    return {key: _settle(key, found[key], missing[key]) for key in wanted}


def worst(results: Iterable[Result]) -> Result:
    """The strictest of the results; none found when there are none."""
    return max(results, key=SEVERITY.__getitem__, default=Result.NONE_FOUND)


def answered_with(condition: Condition) -> tuple[str, ...]:
    """Every key whose answer bears on a row: its own, its numbers, and what says whether they are asked."""
    return (condition.key, *_numbers_of(condition))


@functools.lru_cache(maxsize=64)
def rows_by_answer(table: Table) -> Mapping[str, tuple[str, ...]]:
    """The rows on which each key's answer bears."""
    found: dict[str, tuple[str, ...]] = {}
    for condition in table.conditions.values():
        for key in answered_with(condition):
            found[key] = (*found.get(key, ()), condition.key)
    return found


def row_state(
    key: str, answers: Mapping[str, Answer], table: Table, at: dt.datetime | None = None
) -> tuple[str, str]:
    """What the answers say of one row, as they stand or at a time: yes, no or unknown, and which key says so.

    Raises:
        NotCalculable: inconsistent, where the row and its number disagree.
    """
    condition = table.conditions[key]
    verdict = _verdict(condition, answers, table, at)
    if verdict.state != YES:
        for here in _local(condition, answers, table, at).values():
            return YES, here.verdict.answered_by
    return verdict.state, verdict.answered_by


class _Verdict(NamedTuple):
    state: str
    answer: str | float
    answered_by: str
    out_of_date: bool
    left_out: bool
    by_technique: Mapping[str, "_Verdict"]


_NO_OVERRIDES: Mapping[str, _Verdict] = {}


class _Here(NamedTuple):
    """A row answered yes by a number that counts by local policy."""

    verdict: _Verdict
    words: str
    reason: str


_NOT_HERE: Mapping[str, _Here] = {}


class _Grid:
    """The cells graded R or A, by row; what a word answer leads to is worked out once."""

    def __init__(self, table: Table) -> None:
        self._rows: dict[str, list[Cell]] = {}
        for cell in table.cells.values():
            if cell.grade is not Grade.NONE_LISTED:
                self._rows.setdefault(cell.condition, []).append(cell)
        self._conditions = tuple(one for one in table.conditions.values() if one.key in self._rows)
        self._bearing: dict[tuple[str, ...], tuple[Condition, ...]] = {}
        self._known: dict[tuple[str, str, str | float, str, bool, bool], tuple[Contribution, ...]] = {}

    def rows_for(self, techniques: tuple[str, ...]) -> tuple[Condition, ...]:
        """The rows that bear on any of the techniques, and those whose number must agree with its word."""
        if techniques not in self._bearing:
            wanted = set(techniques)
            self._bearing[techniques] = tuple(
                one
                for one in self._conditions
                if one.thresholds or wanted.intersection(cell.technique for cell in self._rows[one.key])
            )
        return self._bearing[techniques]

    def parts(
        self, condition: str, verdict: _Verdict, local: Mapping[str, _Here]
    ) -> tuple[Contribution, ...]:
        """What a verdict on a row means for each technique on which the row bears."""
        if local or verdict.by_technique or not isinstance(verdict.answer, str):
            return self._parts(condition, verdict, local)
        place = (condition, *verdict[:5])
        if place not in self._known:
            self._known[place] = self._parts(condition, verdict, local)
        return self._known[place]

    def _parts(
        self, condition: str, verdict: _Verdict, local: Mapping[str, _Here]
    ) -> tuple[Contribution, ...]:
        found = []
        for cell in self._rows.get(condition, ()):
            own = verdict.by_technique.get(cell.technique, verdict)
            part = None if own.state == NO else _contribution(cell, own)
            here = local.get(cell.technique)
            if here is not None:
                stricter = _counts_here(cell, here)
                if part is None or SEVERITY[stricter.result] > SEVERITY[part.result]:
                    part = stricter
            if part is not None:
                found.append(part)
        return tuple(found)


@functools.lru_cache(maxsize=64)
def _grid(table: Table) -> _Grid:
    return _Grid(table)


def _local(
    condition: Condition, answers: Mapping[str, Answer], table: Table, at: dt.datetime | None
) -> Mapping[str, _Here]:
    """The techniques for which a number counts by local policy, each with why."""
    bounds = table.local.get(condition.key)
    if not bounds:
        return _NOT_HERE
    found = {}
    for technique, of_technique in bounds.items():
        for bound in of_technique:
            key = bound.threshold.number
            live = _live(key, answers, table, at)
            if live is not None and not isinstance(live.value, str) and bound.threshold.met(live.value):
                verdict = _Verdict(YES, live.value, key, False, False, _NO_OVERRIDES)
                found[technique] = _Here(verdict, bound.words, bound.reason)
                break
    return found


def _counts_here(cell: Cell, here: _Here) -> Contribution:
    local = replace(cell, star=True, reason=f"{here.reason} {cell.reason}")
    return replace(_contribution(local, here.verdict), here=here.words)


def _verdict(
    condition: Condition, answers: Mapping[str, Answer], table: Table, at: dt.datetime | None
) -> _Verdict:
    own = _own(condition, answers, table, at)
    if not condition.thresholds:
        return own
    of = _thresholds(table)[condition.key]
    if not any(key in answers for key in of.numbers):
        return own
    numbers = {key: _live(key, answers, table, at) for key in of.numbers}
    joined = _join(condition, own, _by_number(condition, of.general, numbers), numbers, table)
    if not of.by_technique:
        return joined
    # The row's own word is about the general threshold; a technique's needs the number itself.
    word = _silent(condition) if _has_value(condition, numbers) else own
    overrides = {
        technique: _join(condition, word, _by_number(condition, own_ones, numbers), numbers, table)
        for technique, own_ones in of.by_technique.items()
    }
    return _Verdict(
        joined.state, joined.answer, joined.answered_by, joined.out_of_date, joined.left_out, overrides
    )


class _Thresholds(NamedTuple):
    """The thresholds of a row, sorted out once: the numbers they ask, the general ones, those of one technique."""

    numbers: tuple[str, ...]
    general: tuple[Threshold, ...]
    by_technique: Mapping[str, tuple[Threshold, ...]]


@functools.lru_cache(maxsize=64)
def _thresholds(table: Table) -> Mapping[str, _Thresholds]:
    found = {}
    for condition in table.conditions.values():
        by_technique: dict[str, tuple[Threshold, ...]] = {}
        for one in condition.thresholds:
            by_technique[one.technique] = (*by_technique.get(one.technique, ()), one)
        general = by_technique.pop("", ())
        found[condition.key] = _Thresholds(_numbers_of(condition), general, by_technique)
    return found


def _own(
    condition: Condition, answers: Mapping[str, Answer], table: Table, at: dt.datetime | None
) -> _Verdict:
    answer = answers.get(condition.key)
    if answer is None:
        return _silent(condition)
    if answer.value in (UNKNOWN, NOT_MEASURED):
        return _Verdict(UNKNOWN, answer.value, condition.key, False, False, _NO_OVERRIDES)
    if expired(answer, condition, table, at):
        return _Verdict(UNKNOWN, answer.value, condition.key, True, False, _NO_OVERRIDES)
    state = YES if answer.value == YES else NO
    return _Verdict(state, answer.value, condition.key, False, False, _NO_OVERRIDES)


def _silent(condition: Condition) -> _Verdict:
    return _Verdict(UNKNOWN, UNKNOWN, condition.key, False, True, _NO_OVERRIDES)


@dataclass(frozen=True, slots=True)
class _Live:
    """A number as it counts: its value, or the word or the age that keeps it from being one."""

    value: str | float
    out_of_date: bool = False
    given: str | float = UNKNOWN


def _live(key: str, answers: Mapping[str, Answer], table: Table, at: dt.datetime | None) -> _Live | None:
    answer = answers.get(key)
    if answer is None:
        return None
    if answer.value not in (UNKNOWN, NOT_MEASURED) and expired(answer, table.numbers[key], table, at):
        return _Live(UNKNOWN, True, answer.value)
    return _Live(answer.value, False, answer.value)


def _numbers_of(condition: Condition) -> tuple[str, ...]:
    asked = (one.asked_when for one in condition.thresholds if one.asked_when)
    return tuple(dict.fromkeys((*condition.numbers, *asked)))


def _has_value(condition: Condition, numbers: Mapping[str, _Live | None]) -> bool:
    return any(
        live is not None and not isinstance(live.value, str)
        for live in (numbers[key] for key in condition.numbers)
    )


def _by_number(
    condition: Condition, thresholds: Sequence[Threshold], numbers: Mapping[str, _Live | None]
) -> _Verdict:
    """What the numbers say of a row: yes if any threshold is met, no only if every one is known not to be.

    A threshold that only rules out says nothing where it is met: the row's own word is left to say it.
    """
    open_verdict: _Verdict | None = None
    last: _Verdict | None = None
    for threshold in thresholds:
        live = numbers[threshold.number]
        value = UNKNOWN if live is None else live.value
        if isinstance(value, str) and value != NO_REASON:
            if not _asked(threshold, numbers):
                continue
            open_verdict = open_verdict or _Verdict(
                UNKNOWN,
                UNKNOWN if live is None else live.given,
                threshold.number,
                live is not None and live.out_of_date,
                live is None,
                _NO_OVERRIDES,
            )
        elif not isinstance(value, str) and threshold.met(value):
            if threshold.rules_out:
                open_verdict = open_verdict or _silent(condition)
                continue
            return _Verdict(YES, value, threshold.number, False, False, _NO_OVERRIDES)
        else:
            last = _Verdict(NO, value, threshold.number, False, False, _NO_OVERRIDES)
    return open_verdict or last or _silent(condition)


def _asked(threshold: Threshold, numbers: Mapping[str, _Live | None]) -> bool:
    if not threshold.asked_when or threshold.asked_more_than is None:
        return True
    live = numbers[threshold.asked_when]
    if live is None or live.value in (UNKNOWN, NOT_MEASURED):
        return True
    return not isinstance(live.value, str) and live.value > threshold.asked_more_than


def _join(
    condition: Condition,
    own: _Verdict,
    number: _Verdict,
    numbers: Mapping[str, _Live | None],
    table: Table,
) -> _Verdict:
    """One answer from a row's own word and its number; where both are known they must agree."""
    if number.state != UNKNOWN:
        if own.state not in (UNKNOWN, number.state):
            raise NotCalculable(
                f"/answers/{condition.key}",
                "inconsistent",
                f"'{condition.words}' is answered {own.answer}, but "
                f"{table.numbers[number.answered_by].words.lower()} says {number.state}.",
                allowed=number.state,
                got=own.answer,
            )
        return number
    if own.state == YES:
        return own
    wanted = [
        key for key in condition.deciding_numbers if (live := numbers[key]) and live.value == NOT_MEASURED
    ]
    if wanted:
        return _Verdict(UNKNOWN, NOT_MEASURED, wanted[0], False, False, _NO_OVERRIDES)
    if own.state == NO or number.left_out or not own.left_out:
        return own
    return number


def _absent(condition: Condition, answers: Mapping[str, Answer]) -> tuple[str, ...]:
    return tuple(key for key in (condition.key, *condition.numbers) if key not in answers)


def _contribution(cell: Cell, verdict: _Verdict) -> Contribution:
    if verdict.state == UNKNOWN:
        result = Result.INCOMPLETE
    elif cell.grade is Grade.ABSOLUTE:
        result = Result.DO_NOT_START
    else:
        result = Result.CLINICIAN_MUST_DECIDE
    return Contribution(
        cell, result, verdict.answer, verdict.answered_by, verdict.out_of_date, verdict.left_out
    )


def _settle(technique: str, found: tuple[list[Contribution], ...], missing: list[str]) -> TechniqueResult:
    parts = tuple(part for bucket in found for part in bucket)
    result = parts[0].result if parts else Result.NONE_FOUND
    return TechniqueResult(technique, result, parts, tuple(dict.fromkeys(missing)))
