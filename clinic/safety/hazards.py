"""The hazard log: hazards, their controls, the tests that prove each control. One with a hole is refused. Pure."""

import csv
import functools
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from clinic.safety.risk import HIGHEST_RESIDUAL, Likelihood, Severity, risk, words

FILE = Path(__file__).resolve().parents[2] / "fixtures" / "safety" / "hazards.csv"
_OF_THE_HAZARD = (
    "hazard", "causes", "effect", "severity", "likelihood", "initial_risk",
    "residual_severity", "residual_likelihood", "residual_risk", "comment",
)  # fmt: skip
_OF_THE_CONTROL = ("control", "control_words", "tests")
L = TypeVar("L", Severity, Likelihood)


class LogRefused(ValueError):
    """The hazard log has a hole, a wrong rating, or a control that nothing proves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """What keeps a hazard from happening or from hurting, and the ids of the tests that prove it."""

    id: str
    words: str
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """One hazard, rated before and after its controls."""

    id: str
    hazard: str
    causes: str
    effect: str
    severity: Severity
    likelihood: Likelihood
    residual_severity: Severity
    residual_likelihood: Likelihood
    comment: str
    controls: tuple[Control, ...]

    @property
    def initial_risk(self) -> int:
        """The rating without the controls."""
        return risk(self.severity, self.likelihood)

    @property
    def residual_risk(self) -> int:
        """The rating that stays."""
        return risk(self.residual_severity, self.residual_likelihood)


@functools.cache
def current() -> tuple[Hazard, ...]:
    """The log of this version of the app."""
    return load(FILE)


def load(file: Path) -> tuple[Hazard, ...]:
    """Read and check the log: one row per control, the hazard's own columns the same in each of its rows.

    Raises: LogRefused, naming the row, for an empty cell, an id that stands twice or belongs to another hazard,
        rows of a hazard that disagree, a rating that is not the matrix's, a residual risk above the initial or the
        highest there may be, one of 3 without a word why it stands, and a control without a test.
    """
    with file.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    if not rows:
        raise LogRefused("the hazard log is empty")
    grouped: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        grouped.setdefault(row["id"], []).append(row)
    seen: set[str] = set()
    return tuple(_hazard(key, of, seen) for key, of in grouped.items())


def _hazard(key: str, rows: list[dict[str, str]], seen: set[str]) -> Hazard:
    first = rows[0]
    for row in rows:
        for name in (*_OF_THE_HAZARD, *_OF_THE_CONTROL):
            if not row[name].strip() and name != "comment":
                raise LogRefused(f"{key}, {row['control'] or 'a control'}: {name} is empty")
            if name in _OF_THE_HAZARD and row[name] != first[name]:
                raise LogRefused(f"{key}: {name} differs between its rows")
        if row["control"] in seen or not row["control"].startswith(f"{key}."):
            raise LogRefused(f"{key}: {row['control']} stands twice or belongs to another hazard")
        seen.add(row["control"])
    hazard = Hazard(
        id=key,
        hazard=first["hazard"],
        causes=first["causes"],
        effect=first["effect"],
        severity=_level(Severity, first["severity"], key),
        likelihood=_level(Likelihood, first["likelihood"], key),
        residual_severity=_level(Severity, first["residual_severity"], key),
        residual_likelihood=_level(Likelihood, first["residual_likelihood"], key),
        comment=first["comment"],
        controls=tuple(_control(row) for row in rows),
    )
    for name in ("initial_risk", "residual_risk"):
        if first[name] != str(getattr(hazard, name)):
            raise LogRefused(f"{key}: {name} is {first[name]}, the matrix says {getattr(hazard, name)}")
    if hazard.residual_risk > min(hazard.initial_risk, HIGHEST_RESIDUAL):
        raise LogRefused(f"{key}: a residual risk of {hazard.residual_risk} is too high")
    if hazard.residual_risk == HIGHEST_RESIDUAL and not hazard.comment:
        raise LogRefused(f"{key}: a residual risk of {HIGHEST_RESIDUAL} needs a word why it stands")
    return hazard


def _control(row: dict[str, str]) -> Control:
    tests = tuple(test.strip() for test in row["tests"].split(";") if test.strip())
    if not tests or any("::test_" not in test for test in tests):
        raise LogRefused(f"{row['control']}: each control names its tests by their ids")
    return Control(id=row["control"], words=row["control_words"], tests=tests)


def _level(scale: type[L], text: str, where: str) -> L:
    for level in scale:
        if words(level) == text:
            return level
    raise LogRefused(f"{where}: {text!r} is none of {', '.join(words(level) for level in scale)}")
