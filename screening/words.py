"""How answers, results and bars are said on pages, print-outs and in notices. No Django."""

import datetime as dt
from typing import Any

from clinic import formats
from screening import rules
from screening.rules import Contribution, Result, TechniqueResult
from screening.table import Grade, Table

RESULT_WORDS = {
    Result.NONE_FOUND: "No contraindication found",
    Result.CLINICIAN_MUST_DECIDE: "Clinician must decide",
    Result.INCOMPLETE: "Incomplete",
    Result.DO_NOT_START: "Contraindicated: do not start",
}
ANSWER_WORDS = {
    rules.YES: "yes",
    rules.NO: "no",
    rules.UNKNOWN: "unknown",
    rules.NOT_MEASURED: "wanted, not measured",
    rules.NO_REASON: "no reason to measure",
}
GRADE_WORDS = {
    Grade.ABSOLUTE: "do not start",
    Grade.RELATIVE: "a clinician must decide",
    Grade.NONE_LISTED: "none listed",
}
LIFE_WORDS = {
    "standing": "holds until changed",
    "today": "asked again each day",
    "now": "asked before each treatment",
}


def result(value: Result | str) -> str:
    """A result in words; "none found" is never worded as "safe"."""
    return RESULT_WORDS[Result(value)]


def technique(key: str, table: Table) -> str:
    """A technique's name as pages show it."""
    return table.techniques[key]


def answer(key: str, value: str | float, table: Table) -> str:
    """An answer as it was given: a word, or a number with its unit."""
    if isinstance(value, str):
        return ANSWER_WORDS[value]
    return formats.quantity(value, table.numbers[key].unit)


def finding(part: Contribution, table: Table, *, age: dt.timedelta | None = None) -> str:
    """What was found or is open in one cell, such as "Haemoptysis, 5 to 240 mL in 24 h (8 mL)"."""
    words = table.conditions[part.cell.condition].words
    if part.result is not Result.INCOMPLETE:
        here = f", counts {part.here} here" if part.here else ""
        said = (
            "" if isinstance(part.answer, str) else f" ({answer(part.answered_by, part.answer, table)}{here})"
        )
        return f"{words}{said}"
    if part.out_of_date:
        aged = "" if age is None else f" is {formats.spell(age)} old,"
        return (
            f"{words}: the answer{aged} is out of date, ask again"
            if not aged
            else (f"{words}: the answer{aged} ask again")
        )
    if part.left_out:
        return f"{words}: not answered"
    return f"{words}: {answer(part.answered_by, part.answer, table)}"


def explanation(found: TechniqueResult, table: Table) -> dict[str, Any]:
    """What was shown for one technique, whole, so that it reads as it was after the table has changed."""
    return {
        "technique": table.techniques[found.technique],
        "because": [
            {
                "condition": part.cell.condition,
                "words": table.conditions[part.cell.condition].words,
                "answer": part.answer,
                "answered_by": part.answered_by,
                "said": finding(part, table),
                "result": str(part.result),
                "grade": str(part.cell.grade),
                "star": part.cell.star,
                "reason": part.cell.reason,
                "source": table.cite(part.cell),
                "citations": [table.sources[key].citation for key in part.cell.sources],
                "conflict": part.cell.conflict,
            }
            for part in found.contributions
        ],
        "missing": list(found.missing),
    }
