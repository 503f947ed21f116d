"""The bedside check: which rows bear on a technique now and must be asked, and what carries over. Pure."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from clinic.calculation import NotCalculable
from screening import rules
from screening.holds import Bar, Guard
from screening.rules import Answer
from screening.table import Table

NOT_ASKED = frozenset({"age_years"})  # follows from the birth date


@dataclass(frozen=True, slots=True)
class Carried:
    """An earlier answer that stands: its value, and the earlier key whose time and person it keeps."""

    source: str
    value: str | float


def to_ask(found: Guard, table: Table) -> tuple[str, ...]:
    """The rows to ask before this treatment: graded R or A for the technique, and open or out of date.

    Args:
        found: the guard for `begin`, or for `record` at the start of the treatment.
    Returns: rows in the order of the table. Answering exactly these settles what is incomplete; leaving out any
        one of them does not. Nothing where no answer would settle it, or all must be screened again.
    """
    if found.bar is Bar.CARE_SETTING_CHANGED:
        return ()
    wanted = table.bearing_on(found.technique) if found.bar is Bar.SCREENING_MISSING else found.missing
    return askable(wanted, table)


def askable(rows: Iterable[str], table: Table) -> tuple[str, ...]:
    """Those of `rows` that the table knows and a person can answer, in the order of the table."""
    wanted = set(rows)
    return tuple(
        key
        for key, condition in table.conditions.items()
        if key in wanted and not NOT_ASKED.intersection(condition.numbers)
    )


def numbers_of(rows: Iterable[str], table: Table) -> tuple[str, ...]:
    """The numbers that answer some of these rows, in the order of the table."""
    wanted = {number for key in rows for number in table.conditions[key].numbers}
    return tuple(key for key in table.numbers if key in wanted and key not in NOT_ASKED)


def found_before(rows: Iterable[str], earlier: Mapping[str, Answer], table: Table) -> frozenset[str]:
    """Those of `rows` that the last answer found to be so, or whose number was wanted and not measured.

    Each is asked for itself, and no tick denies it.
    """
    return frozenset(
        key for key in rows if (said := _said(key, earlier, table))[0] == rules.YES or _wanted(said, earlier)
    )


def not_measured(rows: Iterable[str], earlier: Mapping[str, Answer], table: Table) -> frozenset[str]:
    """Those of `rows` that are open because their number is wanted and was not measured."""
    return frozenset(key for key in rows if _wanted(_said(key, earlier, table), earlier))


def to_keep(
    earlier: Mapping[str, Answer], answers: Mapping[str, str | float], table: Table
) -> frozenset[str]:
    """The earlier keys that may carry over beside new `answers`.

    "No reason to measure" does not, once something that asks for the number is answered yes.
    """
    return frozenset(
        key
        for key, answer in earlier.items()
        if answer.value != rules.NO_REASON
        or key not in table.numbers
        or not any(answers.get(trigger) == rules.YES for trigger in table.numbers[key].trigger_conditions)
    )


def carried(
    earlier: Mapping[str, Answer],
    keep: Collection[str] | Literal["all"],
    new: Collection[str],
    table: Table,
) -> dict[str, Carried]:
    """The earlier answers that stand beside new ones.

    A new number replaces the words of its rows. A new word replaces the numbers of its row; what such a number
    had said of its other rows stays as their word, also that it is wanted and was not measured.

    Args:
        earlier: the answers of the screening in force, by key.
        keep: the keys that may stand; "all" for every one.
        new: the keys answered now.
    """
    by_number = {
        row
        for key in new
        if key in table.numbers
        for row in table.numbers[key].conditions
        # A number that only rules out leaves the row's own word standing.
        if key in table.conditions[row].deciding_numbers
    }
    by_word = {number for key in new if key in table.conditions for number in table.conditions[key].numbers}
    stands = {
        key
        for key in earlier
        if (keep == "all" or key in keep)
        and key not in new
        and (key in table.conditions or key in table.numbers)
    }
    found = {key: Carried(key, earlier[key].value) for key in stands - by_number - by_word}
    for number in stands & by_word:
        for row in table.numbers[number].conditions:
            state, answered_by = _said(row, earlier, table)
            if row in new or row in by_number or answered_by != number:
                continue
            if _wanted((state, answered_by), earlier):
                # Nobody has answered this row: its earlier "no" stood back behind the number that is wanted.
                found[row] = Carried(number, rules.NOT_MEASURED)
                continue
            if state == rules.UNKNOWN:
                continue
            if row not in found or _older(found[row], earlier[number], earlier):
                found[row] = Carried(number, state)
    return found


def _older(own: Carried, number: Answer, earlier: Mapping[str, Answer]) -> bool:
    """Whether a row's own word says nothing, or was given before the number that answered it."""
    word = earlier[own.source]
    if word.value not in (rules.YES, rules.NO):
        return True
    return word.at is not None and (number.at is None or word.at < number.at)


def _wanted(said: tuple[str, str], earlier: Mapping[str, Answer]) -> bool:
    """Whether a row is open because what answers it is wanted and was not measured."""
    state, answered_by = said
    given = earlier.get(answered_by)
    return state == rules.UNKNOWN and given is not None and given.value == rules.NOT_MEASURED


def _said(row: str, earlier: Mapping[str, Answer], table: Table) -> tuple[str, str]:
    """What was said of a row, and by which key; where row and number disagreed, nothing that could be relied on."""
    try:
        return rules.row_state(row, earlier, table)
    except NotCalculable:
        return rules.UNKNOWN, row
