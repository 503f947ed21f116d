"""The rule table: what is asked, which techniques it bears on, and why. Data with a hole is refused."""

import csv
import datetime as dt
import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType

DIRECTORY = Path(__file__).resolve().parent.parent / "fixtures" / "contraindications"
JUDGEMENT = "judgement"


class TableRefused(ValueError):
    """The rule table has a hole, an unknown name, or a cell that does not say why."""


class Grade(StrEnum):
    """What a row answered yes means for one technique."""

    NONE_LISTED = "N"
    RELATIVE = "R"
    ABSOLUTE = "A"


STRICTNESS = {Grade.NONE_LISTED: 0, Grade.RELATIVE: 1, Grade.ABSOLUTE: 2}


class Life(StrEnum):
    """How long an answer holds: until it is changed, for the day, or for this treatment."""

    STANDING = "standing"
    TODAY = "today"
    NOW = "now"


class Harm(StrEnum):
    """Which way a number moves when things get worse."""

    RISING = "rising"
    FALLING = "falling"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a grade comes from, and how much of that document was seen."""

    key: str
    kind: str
    seen: str
    short: str
    citation: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One way in which a number answers a row with yes: all its bounds hold.

    With ``asked_when`` the number needs asking only while that other number is above ``asked_more_than``.
    One that ``rules_out`` never says yes: outside its bounds the row is answered no, within them the row's own
    answer counts.
    """

    condition: str
    number: str
    technique: str
    at_least: float | None
    more_than: float | None
    at_most: float | None
    less_than: float | None
    asked_when: str
    asked_more_than: float | None
    rules_out: bool
    seen: str
    note: str

    @property
    def edges(self) -> tuple[float, ...]:
        """Its bounds, in the number's unit."""
        bounds = (self.at_least, self.more_than, self.at_most, self.less_than)
        return tuple(bound for bound in bounds if bound is not None)

    def met(self, value: float) -> bool:
        """Whether ``value``, in the number's unit, lies within every bound."""
        return (
            (self.at_least is None or value >= self.at_least)
            and (self.more_than is None or value > self.more_than)
            and (self.at_most is None or value <= self.at_most)
            and (self.less_than is None or value < self.less_than)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One row: a contraindication or precaution."""

    key: str
    group: str
    life: Life
    words: str
    thresholds: tuple[Threshold, ...]

    @property
    def numbers(self) -> tuple[str, ...]:
        """The numbers that answer this row, each once."""
        return tuple(dict.fromkeys(threshold.number for threshold in self.thresholds))

    @property
    def deciding_numbers(self) -> tuple[str, ...]:
        """Those of its numbers that can answer it yes, so that its own word is not wanted beside them."""
        return tuple(dict.fromkeys(one.number for one in self.thresholds if not one.rules_out))


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A measured value with its unit; the hard range refuses, the soft range asks once.

    One that answers no row says in ``informs`` what it is asked for.
    """

    key: str
    group: str
    life: Life
    words: str
    unit: str
    hard_low: float
    hard_high: float
    soft_low: float
    soft_high: float
    harm: Harm
    trigger: str
    trigger_conditions: tuple[str, ...]
    conditions: tuple[str, ...]
    informs: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What one row means for one technique. A starred cell is judgement and waits for local sign-off."""

    condition: str
    technique: str
    grade: Grade
    star: bool
    sources: tuple[str, ...]
    reason: str
    conflict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalBound:
    """A threshold that local policy moved so that it is met by more values: from where it counts, and why."""

    threshold: Threshold
    words: str
    reason: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Table:
    """The whole table of one version; compared by identity, so that what follows from it can be kept.

    Under local policy it is the table as it then holds (``screening.policy.rules.effective``): cells and shelf lives
    tightened, and in ``local`` the moved thresholds by row and technique.
    """

    version: str
    dated: dt.date
    sign_off_words: str
    techniques: Mapping[str, str]
    groups: Mapping[str, str]
    shelf_lives: Mapping[Life, dt.timedelta]
    sources: Mapping[str, Source]
    conditions: Mapping[str, Condition]
    numbers: Mapping[str, Number]
    cells: Mapping[tuple[str, str], Cell]
    local: Mapping[str, Mapping[str, tuple[LocalBound, ...]]] = field(default_factory=dict)

    def cite(self, cell: Cell) -> str:
        """The short names of a cell's sources, in their order."""
        return "; ".join(self.sources[key].short for key in cell.sources)

    def words(self, key: str) -> str:
        """The words of a row or a number."""
        return self.conditions[key].words if key in self.conditions else self.numbers[key].words

    def bearing_on(self, technique: str) -> tuple[str, ...]:
        """The rows graded R or A for a technique, in the order of the table."""
        return tuple(
            key for key in self.conditions if self.cells[key, technique].grade is not Grade.NONE_LISTED
        )


@functools.cache
def current() -> Table:
    """The table in force: the data files that came with this version of the app."""
    return load(DIRECTORY)


def load(directory: Path) -> Table:
    """Read and check the table.

    Raises:
        TableRefused: naming the file and the row, for a hole, an unknown name, a cell graded R or A without
            reason or source, a starred cell that does not say that it needs local sign-off, a conflict that shows
            one side only, a threshold without a bound, or a number whose ranges cannot be.
    """
    head = tomllib.loads((directory / "table.toml").read_text(encoding="utf-8"))
    techniques: dict[str, str] = head["techniques"]
    groups: dict[str, str] = head["groups"]
    sources = {row["key"]: Source(**row) for row in _rows(directory, "sources.csv")}
    thresholds = [_threshold(row) for row in _rows(directory, "thresholds.csv")]
    conditions = _conditions(directory, thresholds, groups)
    numbers = _numbers(directory, thresholds, groups)
    for threshold in thresholds:
        _known(threshold.condition, conditions, "thresholds.csv")
        _known(threshold.number, numbers, "thresholds.csv")
        if threshold.technique:
            _known(threshold.technique, techniques, "thresholds.csv")
        if threshold.asked_when:
            _known(threshold.asked_when, numbers, "thresholds.csv")
    for number in numbers.values():
        if not number.conditions and not number.informs:
            raise TableRefused(f"numbers.csv: {number.key} answers no row")
        for key in number.trigger_conditions:
            _known(key, conditions, f"numbers.csv: {number.key}")
    for life in (Life.TODAY, Life.NOW):
        if head["shelf_life_minutes"].get(life, 0) <= 0:
            raise TableRefused(f"table.toml: an answer that holds {life} has no length in minutes")
    if both := conditions.keys() & numbers.keys():
        raise TableRefused(f"numbers.csv: {sorted(both)} are rows as well")
    return Table(
        version=head["version"],
        dated=head["dated"],
        sign_off_words=head["sign_off_words"],
        techniques=MappingProxyType(techniques),
        groups=MappingProxyType(groups),
        shelf_lives=MappingProxyType(
            {Life(key): dt.timedelta(minutes=minutes) for key, minutes in head["shelf_life_minutes"].items()}
        ),
        sources=MappingProxyType(sources),
        conditions=MappingProxyType(conditions),
        numbers=MappingProxyType(numbers),
        cells=MappingProxyType(_cells(directory, head, conditions, sources)),
    )


def _cells(
    directory: Path,
    head: dict[str, object],
    conditions: Mapping[str, Condition],
    sources: Mapping[str, Source],
) -> dict[tuple[str, str], Cell]:
    techniques = head["techniques"]
    assert isinstance(techniques, dict)  # noqa: S101 - narrows what TOML returned for the type checker
    cells: dict[tuple[str, str], Cell] = {}
    for row in _rows(directory, "cells.csv"):
        where = f"cells.csv: {row['condition']}, {row['technique']}"
        _known(row["condition"], conditions, where)
        _known(row["technique"], techniques, where)
        if row["grade"] not in set(Grade):
            raise TableRefused(f"{where}: grade {row['grade']!r} is none of A, R, N")
        if row["star"] not in ("yes", "no"):
            raise TableRefused(f"{where}: star must be yes or no")
        cell = Cell(
            condition=row["condition"],
            technique=row["technique"],
            grade=Grade(row["grade"]),
            star=row["star"] == "yes",
            sources=tuple(row["sources"].split()),
            reason=row["reason"],
            conflict=row["conflict"],
        )
        if (cell.condition, cell.technique) in cells:
            raise TableRefused(f"{where}: stands twice")
        _check_cell(cell, where, sources, sign_off=str(head["sign_off_words"]), none=str(head["none_words"]))
        cells[cell.condition, cell.technique] = cell
    holes = [f"{c}, {t}" for c in conditions for t in techniques if (c, t) not in cells]
    if holes:
        raise TableRefused(f"cells.csv has holes: {'; '.join(holes)}")
    return cells


def _check_cell(cell: Cell, where: str, sources: Mapping[str, Source], *, sign_off: str, none: str) -> None:
    for key in cell.sources:
        _known(key, sources, where)
    if cell.grade is Grade.NONE_LISTED:
        if cell.reason != none or cell.star or cell.sources:
            raise TableRefused(f"{where}: a cell with grade N says '{none}', without star and source")
        return
    if not cell.reason or not cell.sources:
        raise TableRefused(f"{where}: a cell with grade {cell.grade} needs a reason and a source")
    if cell.star is not (sign_off in cell.reason):
        raise TableRefused(f"{where}: a starred cell, and no other, says '{sign_off}'")
    if not cell.star and all(sources[key].kind == JUDGEMENT for key in cell.sources):
        raise TableRefused(f"{where}: without a star the cell needs a document behind it")
    if cell.conflict and not all(side.strip(" .") for side in _sides(cell.conflict)):
        raise TableRefused(f"{where}: a conflict says who differs, then both sides with a semicolon between")


def _sides(conflict: str) -> tuple[str, str]:
    """What each side of a conflict says; empty where one is not told."""
    _, _, said = conflict.partition(": ")
    one, _, other = said.partition("; ")
    return one, other


def _conditions(
    directory: Path, thresholds: list[Threshold], groups: Mapping[str, str]
) -> dict[str, Condition]:
    found: dict[str, Condition] = {}
    for row in _rows(directory, "conditions.csv"):
        _known(row["group"], groups, f"conditions.csv: {row['key']}")
        _once(row["key"], found, "conditions.csv")
        found[row["key"]] = Condition(
            key=row["key"],
            group=row["group"],
            life=_life(row["life"], f"conditions.csv: {row['key']}"),
            words=row["words"],
            # In an order of their own: where two numbers leave a row open, the file's must not choose which is named.
            thresholds=tuple(
                sorted(
                    (one for one in thresholds if one.condition == row["key"]),
                    key=lambda one: (one.number, one.technique),
                )
            ),
        )
    return found


def _numbers(directory: Path, thresholds: list[Threshold], groups: Mapping[str, str]) -> dict[str, Number]:
    found: dict[str, Number] = {}
    for row in _rows(directory, "numbers.csv"):
        _known(row["group"], groups, f"numbers.csv: {row['key']}")
        _once(row["key"], found, "numbers.csv")
        fed = dict.fromkeys(one.condition for one in thresholds if one.number == row["key"])
        where = f"numbers.csv: {row['key']}"
        edges = [_figure(row[name], where) for name in ("hard_low", "soft_low", "soft_high", "hard_high")]
        if edges != sorted(edges):
            raise TableRefused(f"{where}: the usual range must lie within the possible one, from low to high")
        if row["harm"] not in set(Harm):
            raise TableRefused(f"{where}: harm {row['harm']!r} is none of {', '.join(Harm)}")
        if not row["unit"] or not row["trigger"]:
            raise TableRefused(f"{where}: a number has a unit and the question that asks for it")
        found[row["key"]] = Number(
            key=row["key"],
            group=row["group"],
            life=_life(row["life"], where),
            words=row["words"],
            unit=row["unit"],
            hard_low=edges[0],
            soft_low=edges[1],
            soft_high=edges[2],
            hard_high=edges[3],
            harm=Harm(row["harm"]),
            trigger=row["trigger"],
            trigger_conditions=tuple(row["trigger_conditions"].split()),
            conditions=tuple(fed),
            informs=row.get("informs", ""),  # since version 2
        )
    return found


def _threshold(row: dict[str, str]) -> Threshold:
    where = f"thresholds.csv: {row['condition']}, {row['number']}"
    found = Threshold(
        condition=row["condition"],
        number=row["number"],
        technique=row["technique"],
        at_least=_bound(row["at_least"], where),
        more_than=_bound(row["more_than"], where),
        at_most=_bound(row["at_most"], where),
        less_than=_bound(row["less_than"], where),
        asked_when=row["asked_when"],
        asked_more_than=_bound(row["asked_more_than"], where),
        rules_out=row.get("rules_out", "") == "yes",  # since version 2
        seen=row["seen"],
        note=row["note"],
    )
    if not found.edges:
        raise TableRefused(f"{where}: has no bound, so every number would answer yes")
    if not found.seen:
        raise TableRefused(f"{where}: does not say where its bounds were seen")
    if bool(found.asked_when) is (found.asked_more_than is None):
        raise TableRefused(f"{where}: asked_when and asked_more_than stand together")
    return found


def _bound(text: str, where: str) -> float | None:
    return _figure(text, where) if text else None


def _figure(text: str, where: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        raise TableRefused(f"{where}: {text!r} is no number") from error


def _life(text: str, where: str) -> Life:
    if text not in set(Life):
        raise TableRefused(f"{where}: life {text!r} is none of {', '.join(Life)}")
    return Life(text)


def _known(name: str, names: Mapping[str, object], where: str) -> None:
    if name not in names:
        raise TableRefused(f"{where}: {name!r} is not known")


def _once(name: str, names: Mapping[str, object], where: str) -> None:
    if name in names:
        raise TableRefused(f"{where}: {name!r} stands twice")


def _rows(directory: Path, name: str) -> list[dict[str, str]]:
    with (directory / name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
