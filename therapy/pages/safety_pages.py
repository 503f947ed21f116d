"""The safety pages: the hazard log, the rule table group by group, and what is in force in this clinic now."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from django.http import Http404

from clinic import formats
from clinic.safety import hazards
from clinic.safety.hazards import Control, Hazard
from clinic.safety.risk import (
    LIKELIHOOD_WORDS,
    RATING_WORDS,
    SEVERITY_WORDS,
    Likelihood,
    Severity,
    risk,
    words,
)
from clinic.units import selectors as units
from clinic.units.selectors import NumberInForce
from screening.policy import selectors as policies
from screening.table import Cell, Condition, Grade, Table, Threshold
from screening.table import current as rule_table
from screening.words import GRADE_WORDS, LIFE_WORDS

# The strictest first, so that what bars stands on top of its row.
_STRICTEST_FIRST = (Grade.ABSOLUTE, Grade.RELATIVE, Grade.NONE_LISTED)
_SIGN = {Grade.ABSOLUTE: "stop", Grade.RELATIVE: "look", Grade.NONE_LISTED: "plain"}
_SEEN = {
    "excerpt": "read in an excerpt",
    "secondary": "read second hand",
    "hospital": "a hospital's policy",
    "local": "local: no published number",
    "memory": "from memory: confirm",
    "common practice": "common practice, no source",
}


@dataclass(frozen=True)
class Proof:
    """A test as a sentence, and its id."""

    sentence: str
    id: str


@dataclass(frozen=True)
class ControlLine:
    """A control with its proofs."""

    control: Control
    proofs: list[Proof]


@dataclass(frozen=True)
class HazardLine:
    """A hazard as the log shows it."""

    hazard: Hazard
    before: str
    after: str
    controls: list[ControlLine]

    @property
    def before_words(self) -> str:
        """What the rating without controls asks for."""
        return RATING_WORDS[self.hazard.initial_risk]

    @property
    def after_words(self) -> str:
        """What the rating that stays asks for."""
        return RATING_WORDS[self.hazard.residual_risk]


@dataclass(frozen=True)
class HazardLog:
    """The page of the hazard log."""

    lines: list[HazardLine]
    controls: int
    tests: int
    severities: list[tuple[str, str]]
    matrix: list[tuple[str, str, list[int]]]
    ratings: list[tuple[int, str, int]]


@cache
def hazard_log() -> HazardLog:
    """The hazards of this version; they change only with a new one."""
    log = hazards.current()
    after = [one.residual_risk for one in log]
    return HazardLog(
        lines=[
            HazardLine(
                hazard=one,
                before=_rated(one.severity, one.likelihood),
                after=_rated(one.residual_severity, one.residual_likelihood),
                controls=[
                    ControlLine(control, [Proof(_sentence(test), test) for test in control.tests])
                    for control in one.controls
                ],
            )
            for one in log
        ],
        controls=sum(len(one.controls) for one in log),
        tests=len({test for one in log for control in one.controls for test in control.tests}),
        severities=[(words(one).capitalize(), SEVERITY_WORDS[one]) for one in Severity],
        matrix=[
            (words(one).capitalize(), LIKELIHOOD_WORDS[one], [risk(severity, one) for severity in Severity])
            for one in reversed(Likelihood)
        ],
        ratings=[(rating, said, after.count(rating)) for rating, said in RATING_WORDS.items()],
    )


def _rated(severity: Severity, likelihood: Likelihood) -> str:
    return f"{words(severity)}, likelihood {words(likelihood)}"


def _sentence(test: str) -> str:
    """The name of a test as the sentence that it is."""
    name = (
        test.partition("::")[2].partition("[")[0].rsplit("::", 1)[-1].removeprefix("test_").replace("_", " ")
    )
    return f"{name[:1].upper()}{name[1:]}."


@dataclass(frozen=True)
class SourceOf:
    """The sources of a grade; the techniques they speak of where others of the line have other sources."""

    words: str
    techniques: str


@dataclass(frozen=True)
class CellLine:
    """What one row means for one or more techniques alike."""

    grade: str
    kind: str
    star: bool
    techniques: list[str]
    reason: str
    sources: list[SourceOf]
    conflict: str


@dataclass(frozen=True)
class RowLine:
    """One contraindication or precaution with its cells for all techniques."""

    key: str
    words: str
    life: str
    thresholds: list[str]
    cells: list[CellLine]


@dataclass(frozen=True)
class RuleGroup:
    """The page of one group of the rule table."""

    key: str
    words: str
    groups: list[tuple[str, str, int]]
    rows: list[RowLine]
    version: str
    dated: str
    starred: int


@cache
def rule_group(key: str = "") -> RuleGroup:
    """One group of the rule table; the first without a key. Raises: Http404 for a group that is not there."""
    table = rule_table()
    key = key or next(iter(table.groups))
    if key not in table.groups:
        raise Http404
    return RuleGroup(
        key=key,
        words=table.groups[key],
        groups=[(one, said, len(_rows_of(table, one))) for one, said in table.groups.items()],
        rows=[_row(table, condition) for condition in _rows_of(table, key)],
        version=table.version,
        dated=formats.date(table.dated),
        starred=sum(cell.star for cell in table.cells.values()),
    )


def _rows_of(table: Table, group: str) -> list[Condition]:
    return [condition for condition in table.conditions.values() if condition.group == group]


def _row(table: Table, condition: Condition) -> RowLine:
    alike: dict[tuple[Grade, bool, str, str], list[Cell]] = {}
    for technique in table.techniques:
        cell = table.cells[condition.key, technique]
        alike.setdefault((cell.grade, cell.star, cell.reason, cell.conflict), []).append(cell)
    strictest_first = sorted(alike.values(), key=lambda cells: _STRICTEST_FIRST.index(cells[0].grade))
    return RowLine(
        key=condition.key,
        words=condition.words,
        life=LIFE_WORDS[condition.life],
        thresholds=[threshold_words(table, one) for one in condition.thresholds],
        cells=[_cell_line(table, cells) for cells in strictest_first],
    )


def _cell_line(table: Table, cells: list[Cell]) -> CellLine:
    """One line for the cells that say the same of several techniques."""
    first = cells[0]
    return CellLine(
        grade=GRADE_WORDS[first.grade],
        kind=_SIGN[first.grade],
        star=first.star,
        techniques=[table.techniques[cell.technique] for cell in cells],
        reason="" if first.grade is Grade.NONE_LISTED else first.reason,
        sources=_sources(table, cells),
        conflict=first.conflict,
    )


def _sources(table: Table, cells: list[Cell]) -> list[SourceOf]:
    by_source: dict[str, list[str]] = {}
    for cell in cells:
        by_source.setdefault(table.cite(cell), []).append(table.techniques[cell.technique])
    if len(by_source) == 1:
        return [SourceOf(cited, "") for cited in by_source if cited]
    return [SourceOf(cited, "; ".join(techniques)) for cited, techniques in by_source.items()]


def threshold_words(table: Table, threshold: Threshold) -> str:
    """When a number answers a row with yes: `Intracranial pressure: more than 20 mmHg`."""
    number = table.numbers[threshold.number]
    if threshold.less_than is not None and threshold.less_than <= number.hard_low:
        return f"{number.words}: any number that is known answers no"
    bounds = (
        ("at least", threshold.at_least),
        ("more than", threshold.more_than),
        ("at most", threshold.at_most),
        ("less than", threshold.less_than),
    )
    said = " and ".join(
        f"{how} {formats.quantity(value, number.unit)}" for how, value in bounds if value is not None
    )
    whom = f", for {_in_a_sentence(table.techniques[threshold.technique])}" if threshold.technique else ""
    when = ""
    if threshold.asked_when and threshold.asked_more_than is not None:
        other = table.numbers[threshold.asked_when]
        more = formats.quantity(threshold.asked_more_than, other.unit)
        when = f"; asked where {_in_a_sentence(other.words)} is more than {more}"
    return f"{number.words}: {said}{whom}{when}"


def _in_a_sentence(said: str) -> str:
    """A name within a sentence; one that begins with capitals of its own stays."""
    return said if said[1:2].isupper() else said[:1].lower() + said[1:]


@dataclass(frozen=True)
class ThresholdLine:
    """A threshold with the row that it answers and where it comes from."""

    row: str
    words: str
    note: str
    seen: str


@dataclass(frozen=True)
class InForce:
    """What holds in this clinic now."""

    lives: list[tuple[str, str, str]]
    thresholds: list[ThresholdLine]
    numbers: list[NumberInForce]
    policy: list[policies.RuleLine]
    table_version: str


def in_force() -> InForce:
    """Shelf lives, thresholds, and what the clinic has set for itself."""
    table = policies.rule_table()
    return InForce(
        lives=[
            (life.value.capitalize(), LIFE_WORDS[life], _life(table, life.value))
            for life in dict.fromkeys(condition.life for condition in table.conditions.values())
        ],
        thresholds=list(_threshold_lines(table)),
        numbers=units.numbers_in_force(),
        policy=policies.lines_in_force(),
        table_version=table.version,
    )


def _life(table: Table, life: str) -> str:
    length = {key.value: spell for key, spell in table.shelf_lives.items()}.get(life)
    return "No end" if length is None else formats.spell(length)


def _threshold_lines(table: Table) -> Iterable[ThresholdLine]:
    for condition in table.conditions.values():
        for one in condition.thresholds:
            yield ThresholdLine(
                row=condition.words,
                words=threshold_words(table, one),
                note=one.note,
                seen=_SEEN.get(one.seen, one.seen),
            )
