"""What a decision weighed, what has become of it since, and how long it may run. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from screening.rules import Contribution, Result
from screening.table import Life, Table

Value = str | float


@dataclass(frozen=True, slots=True)
class Otherwise:
    """One finding not as it was weighed: `now` is None where it is no longer found, `before` where new."""

    condition: str
    before: Value | None
    now: Value | None
    still_open: bool = False


def weighed(explanation: Mapping[str, Any]) -> dict[str, Value]:
    """The findings of a stored result with their answers: what a decision on it weighed."""
    return {
        one["condition"]: one["answer"]
        for one in explanation["because"]
        if one["result"] != Result.INCOMPLETE
    }


def differences(before: Mapping[str, Value], parts: Iterable[Contribution]) -> tuple[Otherwise, ...]:
    """All in which the findings now differ from those weighed: the changed ones, then the new ones."""
    found = list(parts)
    now = {part.cell.condition: part.answer for part in found if part.result is not Result.INCOMPLETE}
    still_open = {part.cell.condition for part in found if part.result is Result.INCOMPLETE}
    changed = (
        Otherwise(condition, value, now.get(condition), still_open=condition in still_open)
        for condition, value in before.items()
        if now.get(condition) != value
    )
    new = (Otherwise(condition, None, value) for condition, value in now.items() if condition not in before)
    return (*changed, *new)


def only_standing(parts: Sequence[Contribution], table: Table) -> bool:
    """Whether every finding to be weighed holds until it is changed, so that the decision may run as long."""
    return bool(parts) and all(table.conditions[part.cell.condition].life is Life.STANDING for part in parts)


def in_words(changes: Iterable[Otherwise], table: Table) -> str:
    """The differences as a page says them, such as "'Rib fracture' is no longer found"."""
    return "; ".join(_words(one, table) for one in changes)


def _words(one: Otherwise, table: Table) -> str:
    named = (
        f"'{table.conditions[one.condition].words}'" if one.condition in table.conditions else one.condition
    )
    if one.before is None:
        return f"{named} is new"
    if one.still_open:
        return f"{named} is open now"
    if one.now is None:
        return f"{named} is no longer found"
    return f"{named} was answered {_plain(one.before)}, now {_plain(one.now)}"


def _plain(value: Value) -> str:
    return value if isinstance(value, str) else f"{value:g}"
