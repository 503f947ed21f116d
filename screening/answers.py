"""What may be answered to a row or a number, and until when an answer counts. Pure, without clock and database."""

import datetime as dt
import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass

from clinic.calculation import NotCalculable
from screening.table import Condition, Life, Number, Table

YES, NO, UNKNOWN = "yes", "no", "unknown"
NOT_MEASURED, NO_REASON = "not_measured", "no_reason_to_measure"
WORDS = (YES, NO, UNKNOWN, NOT_MEASURED, NO_REASON)
NUMBER_WORDS = (UNKNOWN, NOT_MEASURED, NO_REASON)
_ROW_WORDS = frozenset(WORDS)


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: a word of WORDS or a number in the unit of its key, and when it was given.

    Without ``at`` the age is not known and the answer counts as just given.
    """

    value: str | float
    at: dt.datetime | None = None


def check(answers: Mapping[str, Answer], table: Table) -> None:
    """Refuse a key that is not in the table, a word that is no answer and a number outside its hard range.

    Raises:
        NotCalculable: unknown_field, wrong_type or out_of_range, pointing at the answer.
    """
    for key, answer in answers.items():
        value = answer.value
        if key in table.conditions and isinstance(value, str) and value in _ROW_WORDS:
            continue
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


def keys_too_old(answers: Mapping[str, Answer], table: Table, at: dt.datetime) -> list[str]:
    """The keys whose answer says something, and is older than its shelf life: `too_old` over all of them at once."""
    latest = {life: at - length for life, length in table.shelf_lives.items()}
    lives = _lives(table)
    return [
        key
        for key, answer in answers.items()
        if answer.at is not None
        and (oldest := latest.get(lives[key])) is not None
        and answer.at < oldest
        and answer.value not in (UNKNOWN, NOT_MEASURED)
    ]


@functools.lru_cache(maxsize=64)
def _lives(table: Table) -> Mapping[str, Life]:
    return {one.key: one.life for one in table.numbers.values()} | {
        one.key: one.life for one in table.conditions.values()
    }
