"""A "do not start" that is judgement, lifted for one patient: what may be lifted, and what a lift changes.

Pure. A published "do not start" is never lifted. A starred one (judgement, or made stricter here by local policy)
may be, by two signatures and until a date. It then counts as "a clinician must decide" whose decision is given;
no other cell is touched.
"""

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from screening.rules import SEVERITY, Contribution, Result, TechniqueResult
from screening.table import Cell, Grade, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """A lift with both signatures, as the engine needs it.

    Attributes:
        answer: the answer it was made for, as `answer_text` writes it; for any other it does not count.
        counts_from: the time of the second signature.
        ended_at: when it was ended early, by a person or by another answer; None where it was not.
        prescriber, second: who signed, in words.
    """

    id: str
    condition: str
    technique: str
    answer: str
    counts_from: dt.datetime
    expires_at: dt.datetime
    ended_at: dt.datetime | None = None
    prescriber: str = ""
    second: str = ""

    def stands(self, at: dt.datetime) -> bool:
        """Whether it counts at that time: signed twice by then, neither run out nor ended."""
        return self.counts_from <= at < self.expires_at and (self.ended_at is None or at < self.ended_at)

    def covers(self, part: Contribution) -> bool:
        """Whether it was made for this cell and this very answer, and the cell may be lifted."""
        return (
            part.result is Result.DO_NOT_START
            and may_be_lifted(part.cell)
            and (self.condition, self.technique) == (part.cell.condition, part.cell.technique)
            and self.answer == answer_text(part.answer)
        )


def may_be_lifted(cell: Cell) -> bool:
    """Only a starred "do not start": judgement of the table, or stricter here by local policy."""
    return cell.grade is Grade.ABSOLUTE and cell.star


def refusal(cell: Cell, table: Table) -> str:
    """Why a cell may not be lifted, with its reason and source; empty where it may."""
    if may_be_lifted(cell):
        return ""
    words = table.conditions[cell.condition].words
    if cell.grade is not Grade.ABSOLUTE:
        return f"There is nothing to lift: '{words}' does not say do not start."
    return (
        f"'{words}' is published as do not start and is never lifted here. {cell.reason} "
        f"Source: {table.cite(cell)}"
    )


def answer_text(value: str | float) -> str:
    """An answer as a lift keeps it, one text for one answer: a word, or the number without a unit."""
    return value if isinstance(value, str) else f"{value:.12g}"


def lifted(
    found: TechniqueResult, lifts: Iterable[Lift], at: dt.datetime
) -> tuple[TechniqueResult, tuple[Lift, ...]]:
    """The result with the lifts that count at a time, and those lifts.

    Args:
        found: the result without any lift.
        lifts: of this patient; those of other techniques, conditions and answers change nothing.
        at: the time asked about.
    Returns: the same cells, those lifted counted as "clinician must decide", the worst first again.
    """
    standing = [one for one in lifts if one.stands(at)]
    used: dict[str, Lift] = {}
    parts = []
    for part in found.contributions:
        lift = next((one for one in standing if one.covers(part)), None)
        if lift is not None:
            used[part.cell.condition] = lift
            part = replace(part, result=Result.CLINICIAN_MUST_DECIDE)  # noqa: PLW2901 - the same cell, counted otherwise
        parts.append(part)
    if not used:
        return found, ()
    parts.sort(key=lambda part: -SEVERITY[part.result])
    return replace(found, contributions=tuple(parts), result=parts[0].result), tuple(used.values())


def all_given(parts: Sequence[Contribution], lifts: Sequence[Lift]) -> bool:
    """Whether lifts give the decision on every finding, so that none is wanted beside them."""
    conditions = {one.condition for one in lifts}
    return bool(parts) and all(part.cell.condition in conditions for part in parts)
