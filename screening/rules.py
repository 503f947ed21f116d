"""From answers to a result per technique: pure, without clock and database.

Unknown is never "no". A result is the worst over the cells of its technique, in the order none found,
clinician must decide, incomplete, do not start; it lists every cell that counts against starting.
"""

import datetime as dt
import functools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from clinic.calculation import NotCalculable
from screening.table import STRICTNESS, Cell, Condition, Grade, Number, Table, Threshold

YES, NO, UNKNOWN = "yes", "no", "unknown"
NOT_MEASURED, NO_REASON = "not_measured", "no_reason_to_measure"
WORDS = (YES, NO, UNKNOWN, NOT_MEASURED, NO_REASON)
NUMBER_WORDS = (UNKNOWN, NOT_MEASURED, NO_REASON)


class Result(StrEnum):
    """What a screening says about one technique. "None found" is never worded as "safe"."""

    NONE_FOUND = "none_found"
    CLINICIAN_MUST_DECIDE = "clinician_must_decide"
    INCOMPLETE = "incomplete"
    DO_NOT_START = "do_not_start"


SEVERITY = {result: place for place, result in enumerate(Result)}


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: a word of WORDS or a number in the unit of its key, and when it was given.

    Without ``at`` the age is not known and the answer counts as just given.
    """

    value: str | float
    at: dt.datetime | None = None


@dataclass(frozen=True, slots=True)
class Tightening:
    """A local policy that makes one cell stricter than the table."""

    condition: str
    technique: str
    grade: Grade
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One cell that counts against starting, with the answer that made it count.

    ``answered_by`` is the row's own key or the number that answered it; ``out_of_date`` says that an answer
    was there but older than its shelf life; ``left_out`` that there was none.
    """

    cell: Cell
    result: Result
    answer: str | float
    answered_by: str
    out_of_date: bool = False
    left_out: bool = False


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
    policy: Sequence[Tightening] = (),
    techniques: Iterable[str] | None = None,
    at: dt.datetime | None = None,
) -> dict[str, TechniqueResult]:
    """The result for each technique.

    Args:
        answers: by row or number key; a key left out counts as unknown.
        table: the rule table.
        policy: cells that are stricter here than in the table.
        techniques: only these; all when left out.
        at: with a time, an answer older than its shelf life by then counts as unknown (needed to begin);
            without one every answer counts as it stands (ahead of time).

    Raises:
        NotCalculable: unknown_field, wrong_type, out_of_range, or inconsistent when a row and its number
            disagree.
    """
    check(answers, table)
    grid = _grid(table, tuple(policy))
    wanted = tuple(table.techniques) if techniques is None else tuple(techniques)
    found: dict[str, tuple[list[Contribution], ...]] = {key: ([], [], []) for key in wanted}
    missing: dict[str, list[str]] = {key: [] for key in wanted}
    for condition in table.conditions.values():
        verdict = _verdict(condition, answers, table, at)
        if verdict.state == NO and not verdict.by_technique:
            continue
        absent = _absent(condition, answers) if verdict.state == UNKNOWN else ()
        for part in grid.parts(condition.key, verdict):
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


def check(answers: Mapping[str, Answer], table: Table) -> None:
    """Refuse a key that is not in the table, a word that is no answer and a number outside its hard range.

    Raises:
        NotCalculable: unknown_field, wrong_type or out_of_range, pointing at the answer.
    """
    for key, answer in answers.items():
        value = answer.value
        number = table.numbers.get(key)
        if number is None and key not in table.conditions:
            raise NotCalculable(
                f"/answers/{key}", "unknown_field", f"{key} is not a row or number of the table."
            )
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise NotCalculable(
                f"/answers/{key}",
                "wrong_type",
                f"{key} takes a word{' or a number' if number else ''}.",
                got=value,
            )
        if isinstance(value, str):
            words = WORDS if number is None else NUMBER_WORDS
            if value not in words:
                raise NotCalculable(
                    f"/answers/{key}",
                    "out_of_range",
                    f"{key} takes one of its words.",
                    allowed=", ".join(words) if number is None else f"a number, {', '.join(words)}",
                    got=value,
                )
        elif number is None:
            raise NotCalculable(f"/answers/{key}", "wrong_type", f"{key} takes a word.", got=value)
        elif not math.isfinite(value):
            raise NotCalculable(f"/answers/{key}", "wrong_type", f"{key} takes a finite number.")
        elif not number.hard_low <= value <= number.hard_high:
            raise NotCalculable(
                f"/answers/{key}",
                "out_of_range",
                f"{number.words} in {number.unit} is outside what can be.",
                allowed=f"{number.hard_low:g}..{number.hard_high:g}",
                got=value,
            )


def check_unmeasured(answers: Mapping[str, Answer], table: Table) -> None:
    """Refuse "no reason to measure" while something that asks for the number is answered yes.

    Raises:
        NotCalculable: inconsistent, at the number, naming what asks for it.
    """
    for key, number in table.numbers.items():
        if key not in answers or answers[key].value != NO_REASON:
            continue
        why = next(
            (
                f"'{table.conditions[trigger].words}' is answered yes"
                for trigger in number.trigger_conditions
                if trigger in answers and answers[trigger].value == YES
            ),
            "",
        )
        for row in number.conditions:
            for one in table.conditions[row].thresholds:
                if why or one.number != key or not one.asked_when or one.asked_more_than is None:
                    continue
                other = answers.get(one.asked_when)
                if (
                    other is not None
                    and not isinstance(other.value, str)
                    and other.value > one.asked_more_than
                ):
                    asking = table.numbers[one.asked_when]
                    why = f"{asking.words.lower()} is over {one.asked_more_than:g} {asking.unit}"
        if why:
            raise NotCalculable(
                f"/answers/{key}",
                "inconsistent",
                f"There is a reason to measure: {why}. Enter the value, or choose wanted, not measured",
                allowed=f"a number, {UNKNOWN}, {NOT_MEASURED}",
                got=NO_REASON,
            )


def expired(answer: Answer, of: Condition | Number, table: Table, at: dt.datetime | None) -> bool:
    """Whether an answer is older than its shelf life at ``at``; at the very minute it still counts."""
    if at is None or answer.at is None:
        return False
    life = table.shelf_lives.get(of.life)
    return life is not None and at - answer.at > life


def too_old(key: str, answer: Answer, table: Table, at: dt.datetime) -> bool:
    """Whether the answer given under a row's or a number's key says something, and is older than its shelf life."""
    of = table.conditions[key] if key in table.conditions else table.numbers[key]
    return answer.value not in (UNKNOWN, NOT_MEASURED) and expired(answer, of, table, at)


def answered_with(condition: Condition) -> tuple[str, ...]:
    """Every key whose answer bears on a row: its own, its numbers, and what says whether they are asked."""
    return (condition.key, *_numbers_of(condition))


def row_state(
    key: str, answers: Mapping[str, Answer], table: Table, at: dt.datetime | None = None
) -> tuple[str, str]:
    """What the answers say of one row, as they stand or at a time: yes, no or unknown, and which key says so.

    Raises:
        NotCalculable: inconsistent, where the row and its number disagree.
    """
    verdict = _verdict(table.conditions[key], answers, table, at)
    return verdict.state, verdict.answered_by


class _Verdict(NamedTuple):
    state: str
    answer: str | float
    answered_by: str
    out_of_date: bool
    left_out: bool
    by_technique: Mapping[str, "_Verdict"]


_NO_OVERRIDES: Mapping[str, _Verdict] = {}


class _Grid:
    """The cells graded R or A after local policy, by row; what a word answer leads to is worked out once."""

    def __init__(self, cells: Mapping[tuple[str, str], Cell]) -> None:
        self._rows: dict[str, list[Cell]] = {}
        for cell in cells.values():
            self._rows.setdefault(cell.condition, []).append(cell)
        self._known: dict[tuple[str, str, str | float, str, bool, bool], tuple[Contribution, ...]] = {}

    def parts(self, condition: str, verdict: _Verdict) -> tuple[Contribution, ...]:
        """What a verdict on a row means for each technique on which the row bears."""
        if verdict.by_technique or not isinstance(verdict.answer, str):
            return self._parts(condition, verdict)
        place = (condition, *verdict[:5])
        if place not in self._known:
            self._known[place] = self._parts(condition, verdict)
        return self._known[place]

    def _parts(self, condition: str, verdict: _Verdict) -> tuple[Contribution, ...]:
        pairs = (
            (cell, verdict.by_technique.get(cell.technique, verdict))
            for cell in self._rows.get(condition, ())
        )
        return tuple(_contribution(cell, own) for cell, own in pairs if own.state != NO)


@functools.lru_cache(maxsize=32)
def _grid(table: Table, policy: tuple[Tightening, ...]) -> _Grid:
    cells = {place: cell for place, cell in table.cells.items() if cell.grade is not Grade.NONE_LISTED}
    for index, rule in enumerate(policy):
        place = (rule.condition, rule.technique)
        if place not in table.cells:
            raise NotCalculable(
                f"/policy/{index}",
                "unknown_field",
                f"{rule.condition}, {rule.technique} is no cell of the table.",
            )
        listed = table.cells[place]
        if STRICTNESS[rule.grade] < STRICTNESS[listed.grade]:
            raise NotCalculable(
                f"/policy/{index}/grade",
                "out_of_range",
                "A local policy may only be stricter than the table.",
                allowed=f"{listed.grade}..A",
                got=str(rule.grade),
            )
        if STRICTNESS[rule.grade] > STRICTNESS[cells.get(place, listed).grade]:
            cells[place] = _tightened(listed, rule, table)
    return _Grid(cells)


def _tightened(listed: Cell, rule: Tightening, table: Table) -> Cell:
    said = f"Stricter here by local policy{': ' if rule.reason else ''}{rule.reason.rstrip('.')}"
    before = "" if listed.grade is Grade.NONE_LISTED else f" {listed.reason}"
    return Cell(
        condition=listed.condition,
        technique=listed.technique,
        grade=rule.grade,
        star=True,
        sources=listed.sources or ("judgement",),
        reason=f"{said} ({table.sign_off_words}).{before}",
        conflict=listed.conflict,
    )


def _verdict(
    condition: Condition, answers: Mapping[str, Answer], table: Table, at: dt.datetime | None
) -> _Verdict:
    own = _own(condition, answers, table, at)
    if not condition.thresholds:
        return own
    general = [one for one in condition.thresholds if not one.technique]
    numbers = {key: _live(key, answers, table, at) for key in _numbers_of(condition)}
    joined = _join(condition, own, _by_number(condition, general, numbers), numbers, table)
    overrides = {
        technique: _join(
            condition,
            # The row's own word is about the general threshold; a technique's needs the number itself.
            own if not _has_value(condition, numbers) else _silent(condition),
            _by_number(
                condition, [one for one in condition.thresholds if one.technique == technique], numbers
            ),
            numbers,
            table,
        )
        for technique in dict.fromkeys(one.technique for one in condition.thresholds if one.technique)
    }
    if not overrides:
        return joined
    return _Verdict(
        joined.state, joined.answer, joined.answered_by, joined.out_of_date, joined.left_out, overrides
    )


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
