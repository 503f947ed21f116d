"""Questions and answers in words: what settles a technique, what is asked again, and all that was answered."""

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from clinic import formats
from screening import rules, words
from screening.models import Answer as StoredAnswer
from screening.questions import Kind, Question, Settling
from screening.rules import Answer
from screening.selectors import value_of
from screening.table import Grade, Table

MOST_ROWS = 4


@dataclass(frozen=True)
class QuestionLine:
    """One question: what is asked, how its last answer stands, and the worst that it can mean."""

    said: str
    state: str
    aged: bool
    meaning: str


@dataclass(frozen=True)
class Settles:
    """The questions that settle an ordered technique, in the order in which they are asked."""

    technique: str
    words: str
    count: str
    lines: tuple[QuestionLine, ...]


@dataclass(frozen=True)
class AnswerLine:
    """One answer as it was given: by whom and when, and whether it still counts at the bedside."""

    question: str
    said: str
    asked: str
    aged: str
    note: str


@dataclass(frozen=True)
class AnswerGroup:
    """The answers of one group of the table."""

    words: str
    lines: tuple[AnswerLine, ...]


def settles(found: Settling, answers: Mapping[str, Answer], table: Table, at: dt.datetime) -> Settles:
    """The shortest set that settles a technique, in words."""
    return Settles(
        technique=found.technique,
        words=words.technique(found.technique, table),
        count=formats.count(len(found.questions), "answer settles", "answers settle"),
        lines=tuple(line(one, answers, table, at) for one in found.questions),
    )


def line(one: Question, answers: Mapping[str, Answer], table: Table, at: dt.datetime) -> QuestionLine:
    """One question in words."""
    bars = one.could_be is rules.Result.DO_NOT_START
    meaning = words.GRADE_WORDS[Grade.ABSOLUTE if bars else Grade.RELATIVE]
    if one.kind is Kind.GROUP:
        named = "; ".join(table.words(row) for row in one.rows[:MOST_ROWS])
        more = len(one.rows) - MOST_ROWS
        said = f"{table.groups[one.key]}, asked together: {named}{f'; and {more} more' if more > 0 else ''}"
    else:
        said = table.words(one.key)
    state, aged = _state(one, answers, table, at)
    return QuestionLine(said=said, state=state, aged=aged, meaning=f"if yes: {meaning}")


def asked_again(
    rows: Iterable[str], answers: Mapping[str, Answer], table: Table, at: dt.datetime
) -> tuple[AnswerLine, ...]:
    """What is asked again at the bedside, with the age of the answer that is too old."""
    found = []
    for row in dict.fromkeys(rows):
        for key in rules.answered_with(table.conditions[row]):
            given = answers.get(key)
            if given and given.at and rules.too_old(key, given, table, at):
                said = words.answer(key, given.value, table)
                found.append(AnswerLine(table.words(row), said, "", age_words(given.at, at), ""))
                break
        else:
            found.append(AnswerLine(table.words(row), "", "", "ask again", ""))
    return tuple(found)


def answers_given(
    stored: Iterable[StoredAnswer], of: Table | None, *, lives: Table | None, at: dt.datetime
) -> tuple[AnswerGroup, ...]:
    """Every answer of a screening, by group, in the order of its table.

    Args:
        of: the table of the screening's version; without it an answer is named by its key.
        lives: the table by whose shelf lives it is told what is too old; None where that is not asked.
    """
    groups: dict[str, list[AnswerLine]] = {}
    place = {key: index for index, key in enumerate((*of.numbers, *of.conditions))} if of else {}
    for one in sorted(stored, key=lambda each: (place.get(each.condition, len(place)), each.condition)):
        group = _group(one.condition, of)
        groups.setdefault(group, []).append(_answer(one, of, lives, at))
    order = list(of.groups.values()) if of else []
    names = sorted(groups, key=lambda name: order.index(name) if name in order else len(order))
    return tuple(AnswerGroup(name, tuple(groups[name])) for name in names)


def age_words(given_at: dt.datetime, at: dt.datetime) -> str:
    """How old an answer is that is past its shelf life, and what to do: "asked 3 h ago, ask again"."""
    return f"asked {formats.spell(max(at - given_at, dt.timedelta(0)))} ago, ask again"


def _state(one: Question, answers: Mapping[str, Answer], table: Table, at: dt.datetime) -> tuple[str, bool]:
    """How the last answer stands: never given, unknown, wanted, or too old; and whether it is the age."""
    if one.kind is Kind.GROUP:
        return "", False
    keys = [one.key, *(key for row in one.rows for key in rules.answered_with(table.conditions[row]))]
    given = [(key, answers[key]) for key in dict.fromkeys(keys) if key in answers]
    for key, answer in given:
        if answer.at is not None and rules.too_old(key, answer, table, at):
            return f"{words.answer(key, answer.value, table)}, {age_words(answer.at, at)}", True
    for key, answer in given:
        if answer.value in (rules.UNKNOWN, rules.NOT_MEASURED):
            return words.answer(key, answer.value, table), False
    return "not answered", False


def _group(key: str, of: Table | None) -> str:
    if of is None or (key not in of.conditions and key not in of.numbers):
        return "Answers"
    return of.groups[(of.conditions.get(key) or of.numbers[key]).group]


def _answer(one: StoredAnswer, of: Table | None, lives: Table | None, at: dt.datetime) -> AnswerLine:
    value = value_of(one)
    known = of is not None and (one.condition in of.conditions or one.condition in of.numbers)
    number = of.numbers.get(one.condition) if of else None
    if isinstance(value, str):
        said = words.ANSWER_WORDS[value]
    else:
        said = formats.quantity(value, number.unit if number else "")
    aged = ""
    if lives is not None and (one.condition in lives.conditions or one.condition in lives.numbers):
        given = Answer(value, one.answered_at)
        aged = age_words(one.answered_at, at) if rules.too_old(one.condition, given, lives, at) else ""
    note = one.unusual_reason
    if value == rules.NO_REASON and number is not None:
        note = f"Asked: {number.trigger}"
    how = " (by group)" if one.by_group else ""
    return AnswerLine(
        question=of.words(one.condition) if of and known else one.condition,
        said=said,
        asked=f"{formats.date_time(one.answered_at)}, {one.answered_by}{how}",
        aged=aged,
        note=note,
    )
