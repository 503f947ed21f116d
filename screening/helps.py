"""Does it help here? What is published on a technique in a diagnosis group: shown beside a result, never blocking."""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FIXTURE = Path(__file__).resolve().parent.parent / "fixtures" / "does_it_help.csv"
ANY = "*"
MARKS = {
    "S": "seen in the source",
    "S2": "seen second hand",
    "H": "a hospital's policy",
    "M": "needs local sign-off",
    "L": "local convention",
}


@dataclass(frozen=True, slots=True)
class HelpNote:
    """A published statement on whether a technique helps in a diagnosis group.

    `against` says that it speaks against the technique there, so that an order of it asks once for a reason.
    """

    techniques: frozenset[str]
    diagnosis_groups: frozenset[str]
    against: bool
    words: str
    source: str
    mark: str

    def bears_on(self, technique: str, diagnosis_group: str) -> bool:
        return bool({technique, ANY} & self.techniques and {diagnosis_group, ANY} & self.diagnosis_groups)

    @property
    def source_words(self) -> str:
        """The source and how much of it was seen."""
        return f"{self.source} ({MARKS[self.mark]})"


def help_notes(technique: str, diagnosis_group: str, *, particular: bool = False) -> list[HelpNote]:
    """What is published on this technique in this diagnosis group; the most particular first.

    With ``particular`` only what names the technique; with "*" as technique what holds for all of them.
    """
    notes = [note for note in _notes() if note.bears_on(technique, diagnosis_group)]
    if particular:
        notes = [note for note in notes if technique in note.techniques]
    return sorted(notes, key=lambda note: (ANY in note.diagnosis_groups, ANY in note.techniques))


def against(technique: str, diagnosis_group: str) -> list[HelpNote]:
    """What is published against this technique in this diagnosis group."""
    return [note for note in help_notes(technique, diagnosis_group) if note.against]


@cache
def _notes() -> Sequence[HelpNote]:
    with FIXTURE.open(newline="", encoding="utf-8") as file:
        return [
            HelpNote(
                frozenset(row["techniques"].split("|")),
                frozenset(row["diagnosis_groups"].split("|")),
                row["against"] == "yes",
                row["words"],
                row["source"],
                row["mark"],
            )
            for row in csv.DictReader(file)
        ]
