"""What is asked before a forced breathing test (lung function, peak flow, cough flow): a list of its own. Pure.

Every row is relative: "yes" asks for a licensed clinician's decision with a reason, and unknown is never "no". The
rows are data: fixtures/contraindications/forced_manoeuvres.csv.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

VERSION = "1"
YES, NO, UNKNOWN = "yes", "no", "unknown"
ANSWERS = (YES, NO, UNKNOWN)
SOURCES: Mapping[str, str] = {
    "ats-ers-2019": (
        "American Thoracic Society and European Respiratory Society, Standardization of Spirometry 2019 Update, "
        "relative contraindications; read in a table that restates it."
    )
}
_FILE = Path(__file__).resolve().parents[2] / "fixtures" / "contraindications" / "forced_manoeuvres.csv"


class ListRefused(ValueError):
    """The file has a hole or a word that is not known; says where."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the list: what is asked, which rows of the rule table ask the same, a note, and the source."""

    key: str
    words: str
    conditions: tuple[str, ...]
    note: str
    source: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """The rows answered yes, and those that are not known."""

    found: tuple[str, ...]
    unknown: tuple[str, ...]

    @property
    def clinician_must_decide(self) -> bool:
        return bool(self.found or self.unknown)


@cache
def rows() -> tuple[Row, ...]:
    """The list as the file has it. Raises: ListRefused."""
    return read(_FILE.read_text(encoding="utf-8"))


def read(text: str) -> tuple[Row, ...]:
    """A list from CSV. Raises: ListRefused for an empty field, a key that stands twice, or a source not known."""
    found: dict[str, Row] = {}
    for line in csv.DictReader(text.splitlines()):
        key = line["key"]
        for name in ("key", "words", "sources"):
            if not (line[name] or "").strip():
                raise ListRefused(f"{key or 'a row'}: {name} is empty")
        if key in found:
            raise ListRefused(f"{key} stands twice")
        if line["sources"] not in SOURCES:
            raise ListRefused(f"{key}: no source {line['sources']}")
        conditions = tuple(line["conditions"].split())
        found[key] = Row(key, line["words"], conditions, line["note"], SOURCES[line["sources"]])
    return tuple(found.values())


def outcome(answers: Mapping[str, str]) -> Outcome:
    """What the answers ask for. A row left out counts as unknown.

    Raises: ValueError for a key or an answer that does not exist.
    """
    known = {row.key for row in rows()}
    if strange := set(answers) - known:
        raise ValueError(f"The list has no row {min(strange)}.")
    if wrong := [key for key, answer in answers.items() if answer not in ANSWERS]:
        raise ValueError(f"{wrong[0]} must be yes, no or unknown.")
    return Outcome(
        tuple(row.key for row in rows() if answers.get(row.key) == YES),
        tuple(row.key for row in rows() if answers.get(row.key, UNKNOWN) == UNKNOWN),
    )


def found_by_screening(states: Mapping[str, str]) -> frozenset[str]:
    """The rows that a screening has answered yes already, from what it says of its own rows."""
    return frozenset(row.key for row in rows() if any(states.get(key) == YES for key in row.conditions))
