"""What answers say as they stand, and what of it must be asked again at the bedside: pure, the clock is an argument."""

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from screening import rules
from screening.rules import SEVERITY, Answer, Contribution, Result, TechniqueResult
from screening.table import Table


@dataclass(frozen=True, slots=True)
class Stands:
    """A technique's result as its answers stand, and what is open beside it at a time by age alone."""

    ahead: TechniqueResult
    by_age: tuple[Contribution, ...]

    @property
    def parts(self) -> tuple[Contribution, ...]:
        """Every cell that counts against beginning at that time."""
        return (*self.ahead.contributions, *self.by_age)

    @property
    def result(self) -> Result:
        """The result for beginning at that time, alone."""
        return rules.worst(part.result for part in self.parts)

    @property
    def begin(self) -> TechniqueResult:
        """The result for beginning at that time. A finding that bars goes on barring, however old it is."""
        parts = tuple(sorted(self.parts, key=lambda part: -SEVERITY[part.result]))
        return TechniqueResult(self.ahead.technique, self.result, parts, self.ahead.missing)


def stands(
    answers: Mapping[str, Answer],
    table: Table,
    *,
    at: dt.datetime,
    techniques: Iterable[str] | None = None,
    ahead: Mapping[str, TechniqueResult] | None = None,
    too_old: Collection[str] | None = None,
) -> dict[str, Stands]:
    """What the answers say of each technique as they stand, and what must be asked again by ``at`` (invariant 4).

    Args:
        ahead: what `screen` says of these answers as they stand, where it has been worked out before.
        too_old: what `keys_too_old` says of them, where it has been.
    Raises: NotCalculable as `screen` does.
    """
    wanted = tuple(table.techniques) if techniques is None else tuple(techniques)
    if ahead is None:
        ahead = rules.screen(answers, table, techniques=wanted)
    if too_old is None:
        too_old = rules.keys_too_old(answers, table, at)
    bears_on = rules.rows_by_answer(table)
    rows = {row for key in too_old for row in bears_on.get(key, ())}
    if not rows:
        return {key: Stands(one, ()) for key, one in ahead.items()}
    # The other rows say the same at that time as they do as they stand.
    aged = rules.screen(answers, table, techniques=wanted, at=at, rows=rows)
    return {key: Stands(one, _open_by_age(one, aged[key], answers, table, at)) for key, one in ahead.items()}


def _open_by_age(
    ahead: TechniqueResult,
    aged: TechniqueResult,
    answers: Mapping[str, Answer],
    table: Table,
    at: dt.datetime,
) -> tuple[Contribution, ...]:
    """What is open at `at` by age alone: every row that counts then and did not count so as it stands.

    A row can be open by age without saying so itself: its number is too old, and its own word is "unknown". Where
    such a word is "yes", and only the number had said no, the row is open as well: the number is to be given again.
    """
    counted = {part.cell.condition for part in ahead.contributions}
    still_open = set(ahead.unsettled)
    return tuple(
        _aged(part, answers, table, at)
        for part in aged.contributions
        if part.cell.condition not in still_open
        and (part.result is Result.INCOMPLETE or part.cell.condition not in counted)
    )


def _aged(part: Contribution, answers: Mapping[str, Answer], table: Table, at: dt.datetime) -> Contribution:
    """The part as out of date, naming the answer that is: the row's own where it is, else its number."""
    if part.out_of_date:
        return part
    result = rules.worst((part.result, Result.INCOMPLETE))
    for key in rules.answered_with(table.conditions[part.cell.condition]):
        given = answers.get(key)
        if given is not None and rules.too_old(key, given, table, at):
            return replace(part, result=result, answer=given.value, answered_by=key, out_of_date=True)
    return replace(part, result=result, out_of_date=True)
