"""Local policy: what a clinic makes stricter than the table, and the table as it then holds. Pure.

A rule tightens a cell, a threshold or a shelf life; none can loosen. Several rules together give the strictest of
them, in whatever order they stand.
"""

import datetime as dt
import functools
import hashlib
import itertools
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from clinic import formats
from clinic.calculation import NotCalculable
from screening.table import JUDGEMENT, STRICTNESS, Cell, Grade, Harm, Life, LocalBound, Table, Threshold

SHORTEST_LIFE_MINUTES = 5  # local convention: what is asked more often than it can be answered is not read
MEAL_ROW, MEAL_NUMBER, MEAL_TECHNIQUE = "meal_within_waiting_time", "minutes_since_meal", "head_down_drainage"
# Written by version 0.1.0, which knew one local policy only: the wait after a meal before head-down drainage.
OLD_NOTE = "head-down wait "


class Kind(StrEnum):
    """What a rule makes stricter."""

    CELL = "cell"
    THRESHOLD = "threshold"
    SHELF_LIFE = "shelf_life"


@dataclass(frozen=True, slots=True, kw_only=True)
class CellRule:
    """One cell graded more strictly than in the table."""

    condition: str
    technique: str
    grade: Grade
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdRule:
    """A number answers a row with yes from a value further on the harmless side than in the table.

    ``value`` is in the number's unit. With ``technique`` it holds for that one alone; without, for every technique
    that has no threshold of its own in the table.
    """

    condition: str
    number: str
    value: float
    technique: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfLifeRule:
    """Answers of one life count for fewer minutes than in the table."""

    life: Life
    minutes: int
    reason: str = ""


Rule = CellRule | ThresholdRule | ShelfLifeRule


def kind_of(rule: Rule) -> Kind:
    """What the rule makes stricter."""
    if isinstance(rule, CellRule):
        return Kind.CELL
    return Kind.THRESHOLD if isinstance(rule, ThresholdRule) else Kind.SHELF_LIFE


def target(rule: Rule) -> tuple[str, ...]:
    """What the rule is about: of one target, one rule is in force."""
    if isinstance(rule, CellRule):
        return (Kind.CELL, rule.condition, rule.technique)
    if isinstance(rule, ThresholdRule):
        return (Kind.THRESHOLD, rule.condition, rule.number, rule.technique)
    return (Kind.SHELF_LIFE, rule.life)


def with_rule(rules: Iterable[Rule], rule: Rule) -> tuple[Rule, ...]:
    """The rules once ``rule`` is set: it takes the place of the one about the same."""
    return (*without(rules, rule), rule)


def without(rules: Iterable[Rule], rule: Rule) -> tuple[Rule, ...]:
    """The rules once the one about the same as ``rule`` has ended."""
    return tuple(one for one in rules if target(one) != target(rule))


def check(rule: Rule, table: Table) -> None:
    """Refuse what the table does not know and what would not be stricter, naming the value listed.

    Raises: NotCalculable with the field of the rule.
    """
    if isinstance(rule, CellRule):
        _check_cell(rule, table)
    elif isinstance(rule, ThresholdRule):
        _check_threshold(rule, table)
    else:
        _check_shelf_life(rule, table)


def effective(table: Table, rules: Iterable[Rule]) -> Table:
    """The table as it holds under the rules; the table itself where there are none.

    The same rules give the same object, in whatever order they stand, so that what follows from it can be kept.
    A rule that the table has overtaken, being as strict by now, changes nothing.
    """
    wanted = frozenset(rules)
    return _effective(table, wanted) if wanted else table


def version(rules: Iterable[Rule]) -> str:
    """How a screening notes the rules under which it was made; empty where there were none."""
    said = as_plain(rules)
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:12] if said else ""


def as_plain(rules: Iterable[Rule]) -> list[dict[str, Any]]:
    """The rules as plain values in a settled order: what is kept, and what the calculation takes."""
    said = [
        {"kind": str(kind_of(rule))}
        | {
            key: str(value) if isinstance(value, StrEnum) else value
            for key, value in asdict(rule).items()
            if value != ""
        }
        for rule in set(rules)
    ]
    return sorted(said, key=lambda one: json.dumps(one, sort_keys=True))


def from_plain(said: Mapping[str, Any]) -> Rule:
    """A rule from plain values; a value that is not named is a cell's, as in what was kept first.

    Raises: NotCalculable for a name, a value or a kind that no rule has.
    """
    kind = said.get("kind") or Kind.CELL
    made, wanted = _SHAPES.get(str(kind), (None, ()))
    if made is None:
        raise _wrong("/kind", "No such kind of policy.", ", ".join(Kind), kind)
    given = {key: value for key, value in said.items() if key != "kind" and value is not None}
    for name in wanted:
        if name not in given:
            raise NotCalculable(
                f"/{name}", "missing", f"A policy on a {kind.replace('_', ' ')} names its {name}."
            )
    for name in given:
        if name not in made.__dataclass_fields__:
            raise NotCalculable(
                f"/{name}", "unknown_field", f"A policy on a {kind.replace('_', ' ')} has no {name}."
            )
    for name, value in given.items():
        of = {"value": (int, float), "minutes": (int,)}.get(name, (str,))
        if isinstance(value, bool) or not isinstance(value, of):
            raise NotCalculable(f"/{name}", "wrong_type", f"No {name} is of this type.", got=value)
    if made is CellRule:
        given["grade"] = _word(Grade, given["grade"], "/grade", "A grade is A, R or N.")
    if made is ShelfLifeRule:
        given["life"] = _word(Life, given["life"], "/life", "No such shelf life.")
    rule: Rule = made(**given)
    return rule


def from_old_note(note: str, table: Table) -> tuple[Rule, ...]:
    """The rule behind a note of version 0.1.0, "head-down wait 120"; none where it is no such note."""
    if not note.startswith(OLD_NOTE):
        return ()
    wait = float(note.removeprefix(OLD_NOTE))
    rule = ThresholdRule(condition=MEAL_ROW, number=MEAL_NUMBER, technique=MEAL_TECHNIQUE, value=wait)
    return (rule,) if _stricter(rule, table) else ()


def wait_after_meal(table: Table) -> int:
    """How long head-down drainage waits after a meal, in whole minutes, by the table and the rules in it."""
    local = table.local.get(MEAL_ROW, {}).get(MEAL_TECHNIQUE, ())
    bounds = [one.threshold for one in local] + [
        listed_threshold(table, MEAL_ROW, MEAL_NUMBER, MEAL_TECHNIQUE)
    ]
    return -int(-max(one.less_than for one in bounds if one.less_than is not None) // 1)


def listed_threshold(table: Table, condition: str, number: str, technique: str = "") -> Threshold:
    """The table's own threshold that answers for a technique: its own, else the general one. Raises: KeyError."""
    found = {one.technique: one for one in table.conditions[condition].thresholds if one.number == number}
    return found[technique] if technique in found else found[""]


def bound_of(threshold: Threshold, table: Table) -> str | None:
    """The bound on the harmless side, the one that a policy may move; None where there is no room to move it."""
    if threshold.rules_out:
        return None
    number = table.numbers[threshold.number]
    names = ("at_least", "more_than") if number.harm is Harm.RISING else ("at_most", "less_than")
    for name in names:
        listed = getattr(threshold, name)
        if listed is not None and number.hard_low < listed < number.hard_high:
            return name
    return None


def movable(table: Table) -> tuple[Threshold, ...]:
    """The table's thresholds that a policy may move."""
    return tuple(
        one for row in table.conditions.values() for one in row.thresholds if bound_of(one, table) is not None
    )


def bound_words(threshold: Threshold, table: Table) -> str:
    """From where a threshold counts, such as "above 15 mmHg"."""
    name = bound_of(threshold, table)
    if name is None:
        return ""
    return f"{_BOUND_WORDS[name]} {formats.quantity(getattr(threshold, name), table.numbers[threshold.number].unit)}"


def out_of_order(table: Table) -> str:
    """Where a number that moves in its direction of harm would count less strictly under these rules; else empty.

    A milder band made stricter than the harsher one beside it would do so (invariant 2).
    """
    for number in table.numbers.values():
        points = _points(table, number.key)
        for technique in table.techniques:
            before = 0
            for point in points if number.harm is Harm.RISING else reversed(points):
                now = _strictness(table, number.key, technique, point)
                if now < before:
                    said = formats.quantity(point, number.unit)
                    return f"{number.words} of {said} would count less strictly for {table.techniques[technique]}"
                before = now
    return ""


_BOUND_WORDS = {"at_least": "from", "more_than": "above", "at_most": "up to", "less_than": "under"}
_SHAPES: dict[str, tuple[Any, tuple[str, ...]]] = {
    Kind.CELL: (CellRule, ("condition", "technique", "grade")),
    Kind.THRESHOLD: (ThresholdRule, ("condition", "number", "value")),
    Kind.SHELF_LIFE: (ShelfLifeRule, ("life", "minutes")),
}


def _wrong(field: str, message: str, allowed: str, got: object) -> NotCalculable:
    return NotCalculable(field, "out_of_range", message, allowed=allowed, got=got)


def _word(of: Any, value: object, field: str, message: str) -> Any:
    if value not in set(of):
        raise _wrong(field, message, ", ".join(of), value)
    return of(value)


def _known(name: str, value: str, known: Mapping[str, object]) -> None:
    if value not in known:
        raise _wrong(f"/{name}", f"No such {name}.", f"one of the table's {name}s", value)


def _check_cell(rule: CellRule, table: Table) -> None:
    _known("condition", rule.condition, table.conditions)
    _known("technique", rule.technique, table.techniques)
    listed = table.cells[rule.condition, rule.technique].grade
    if STRICTNESS[rule.grade] <= STRICTNESS[listed]:
        stricter = [str(grade) for grade in Grade if STRICTNESS[grade] > STRICTNESS[listed]]
        raise _wrong(
            "/grade",
            f"The table lists {listed} for {table.techniques[rule.technique]}, "
            f"'{table.words(rule.condition)}': a local policy may only be stricter",
            ", ".join(stricter) or "nothing: A is the strictest grade",
            str(rule.grade),
        )


def _check_threshold(rule: ThresholdRule, table: Table) -> None:
    _known("condition", rule.condition, table.conditions)
    _known("number", rule.number, table.numbers)
    if rule.technique:
        _known("technique", rule.technique, table.techniques)
    try:
        listed = listed_threshold(table, rule.condition, rule.number, rule.technique)
    except KeyError:
        message = f"{table.numbers[rule.number].words} does not answer '{table.words(rule.condition)}'."
        raise _wrong("/number", message, "a number that answers the row", rule.number) from None
    name = bound_of(listed, table)
    if name is None:
        raise _wrong("/number", "This threshold cannot be stricter.", "another threshold", rule.number)
    number, at = table.numbers[rule.number], getattr(listed, name)
    rising = number.harm is Harm.RISING
    if not number.hard_low <= rule.value <= number.hard_high or not _stricter(rule, table):
        unit = number.unit
        raise _wrong(
            "/value",
            f"The table counts {number.words.lower()} {bound_words(listed, table)}: a local policy may only be "
            f"stricter, {'lower' if rising else 'higher'} and within what can be measured",
            f"{formats.quantity(number.hard_low, unit)} to under {formats.quantity(at, unit)}"
            if rising
            else f"more than {formats.quantity(at, unit)}, up to {formats.quantity(number.hard_high, unit)}",
            rule.value,
        )


def _check_shelf_life(rule: ShelfLifeRule, table: Table) -> None:
    listed = table.shelf_lives.get(rule.life)
    if listed is None:
        raise _wrong(
            "/life",
            "A standing answer holds until it is changed: it has no shelf life.",
            ", ".join(table.shelf_lives),
            str(rule.life),
        )
    most = int(listed.total_seconds() // 60)
    if not SHORTEST_LIFE_MINUTES <= rule.minutes < most:
        raise _wrong(
            "/minutes",
            f"The table lets these answers count for {most:,} minutes: a local policy may only be shorter, "
            f"and no shorter than {SHORTEST_LIFE_MINUTES}",
            f"{SHORTEST_LIFE_MINUTES}..{most - 1}",
            rule.minutes,
        )


def _stricter(rule: ThresholdRule, table: Table) -> bool:
    """Whether the rule counts more values than the table's threshold does."""
    try:
        listed = listed_threshold(table, rule.condition, rule.number, rule.technique)
    except KeyError:
        return False
    name = bound_of(listed, table)
    if name is None:
        return False
    at: float = getattr(listed, name)
    return rule.value < at if table.numbers[rule.number].harm is Harm.RISING else rule.value > at


@functools.lru_cache(maxsize=64)
def _effective(table: Table, rules: frozenset[Rule]) -> Table:
    ordered = sorted(rules, key=lambda rule: json.dumps(as_plain([rule])))
    cells = dict(table.cells)
    lives = dict(table.shelf_lives)
    local: dict[str, dict[str, list[LocalBound]]] = {}
    for rule in ordered:
        if isinstance(rule, CellRule):
            place = (rule.condition, rule.technique)
            if place in cells and STRICTNESS[rule.grade] > STRICTNESS[cells[place].grade]:
                cells[place] = _tightened(table.cells[place], rule, table)
        elif isinstance(rule, ThresholdRule):
            for technique, bound in _bounds(rule, table).items():
                local.setdefault(rule.condition, {}).setdefault(technique, []).append(bound)
        elif rule.life in lives:
            lives[rule.life] = min(lives[rule.life], dt.timedelta(minutes=rule.minutes))
    return replace(
        table,
        cells=MappingProxyType(cells),
        shelf_lives=MappingProxyType(lives),
        local=MappingProxyType(
            {
                row: MappingProxyType({key: tuple(bounds) for key, bounds in of_row.items()})
                for row, of_row in local.items()
            }
        ),
    )


def _bounds(rule: ThresholdRule, table: Table) -> dict[str, LocalBound]:
    """The moved threshold, for each technique that it answers for."""
    if not _stricter(rule, table):
        return {}
    listed = listed_threshold(table, rule.condition, rule.number, rule.technique)
    changes: dict[str, Any] = {str(bound_of(listed, table)): rule.value}
    moved = replace(listed, **changes)
    own = {one.technique for one in table.conditions[rule.condition].thresholds if one.number == rule.number}
    techniques = [rule.technique] if rule.technique else [key for key in table.techniques if key not in own]
    reason = f": {rule.reason.rstrip('.')}" if rule.reason else ""
    words = bound_words(moved, table)
    said = f"Counts {words} here by local policy{reason} ({table.sign_off_words})."
    return {technique: LocalBound(threshold=moved, words=words, reason=said) for technique in techniques}


def _tightened(listed: Cell, rule: CellRule, table: Table) -> Cell:
    said = f"Stricter here by local policy{': ' if rule.reason else ''}{rule.reason.rstrip('.')}"
    before = "" if listed.grade is Grade.NONE_LISTED else f" {listed.reason}"
    return replace(
        listed,
        grade=rule.grade,
        star=True,
        sources=listed.sources or (JUDGEMENT,),
        reason=f"{said} ({table.sign_off_words}).{before}",
    )


def _of_number(table: Table, number: str, technique: str) -> list[tuple[str, Threshold]]:
    """The thresholds by which a number answers rows for a technique, the local ones with them."""
    found = []
    for row in table.conditions.values():
        of_number = [one for one in row.thresholds if one.number == number and not one.rules_out]
        own = [one for one in of_number if one.technique == technique] or [
            one for one in of_number if not one.technique
        ]
        moved = [
            one.threshold
            for one in table.local.get(row.key, {}).get(technique, ())
            if one.threshold.number == number
        ]
        found += [(row.key, one) for one in (*own, *moved)]
    return found


def _strictness(table: Table, number: str, technique: str, value: float) -> int:
    rows = (row for row, threshold in _of_number(table, number, technique) if threshold.met(value))
    return max((STRICTNESS[table.cells[row, technique].grade] for row in rows), default=0)


def _points(table: Table, number: str) -> list[float]:
    """Every bound of the number and the values between them, ascending, within what can be measured."""
    of = table.numbers[number]
    thresholds = [
        threshold for technique in table.techniques for _, threshold in _of_number(table, number, technique)
    ]
    edges = {of.hard_low, of.hard_high} | {
        bound
        for one in thresholds
        for bound in (one.at_least, one.more_than, one.at_most, one.less_than)
        if bound is not None and of.hard_low <= bound <= of.hard_high
    }
    ordered = sorted(edges)
    between = [(low + high) / 2 for low, high in itertools.pairwise(ordered)]
    return sorted([*ordered, *between])
