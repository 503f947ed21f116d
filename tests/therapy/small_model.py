"""A small model of who may be treated: it knows the words of invariants 1, 3 and 4 and the grades, and no code.

design.md, invariant 1: "Unknown is never no. ... answered no, or grade N: none found. Yes: R clinician must decide, A
do not start. Unknown, not measured, or older than its shelf life: incomplete where the grade is R or A. The result is
the worst over the cells. A lifted starred A counts as R with its decision given, for that patient, until the lift
expires." Invariant 3: begin "never on a screening that is missing, out of date, incomplete or do not start, nor on
'clinician must decide' without an unexpired decision". Invariant 4: "Only begin (and record, at the session's start)
wants every answer within its shelf life. Ahead of time the last answer counts as it stands: age alone makes no hold."
And of a decision: bound to the answers it weighed, and dead when one of them changes.
Of local policy: it makes a cell or a shelf life stricter while it is in force; a cell made "do not start" by it is
judgement, and may be lifted.
"""

import csv
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

FILES = Path(__file__).resolve().parents[2] / "fixtures" / "contraindications"
ORDER = ("none_found", "clinician_must_decide", "incomplete", "do_not_start")
# Local settings, typed again: an answer of the day counts 24 h, one asked before each treatment 1 h.
LIVES = {"standing": None, "today": timedelta(hours=24), "now": timedelta(hours=1)}
AT_THE_BEDSIDE = ("begin", "record")


def _rows(name: str) -> list[dict[str, str]]:
    with (FILES / name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


# The age follows from the birth date: the patient is grown up, and nobody asks.
LIFE = {row["key"]: row["life"] for row in _rows("conditions.csv") if row["key"] != "age_under_2"}
CELLS = {(row["condition"], row["technique"]): (row["grade"], row["star"]) for row in _rows("cells.csv")}


@dataclass(frozen=True)
class Said:
    """What was said of a row: yes, no or unknown; how it was said; and when."""

    state: str
    text: str
    at: datetime


@dataclass(frozen=True)
class Decided:
    """A decision with the findings that it weighed."""

    proceed: bool
    findings: frozenset[tuple[str, str, str]]
    expires_at: datetime


@dataclass
class Model:
    """One patient: the answers that stand, the decision and the lifts per technique."""

    said: dict[str, Said] | None = None
    decided: dict[str, Decided] = field(default_factory=dict)
    lifts: dict[tuple[str, str], tuple[str, datetime]] = field(default_factory=dict)
    whole_at: datetime | None = None
    moved_at: datetime | None = None
    stricter: dict[tuple[str, str], str] = field(default_factory=dict)
    shorter: dict[str, timedelta] = field(default_factory=dict)

    def cell(self, row: str, technique: str) -> tuple[str, str]:
        """Grade and star, by the table or by local policy."""
        local = self.stricter.get((row, technique))
        return (local, "yes") if local else CELLS[row, technique]

    def life(self, row: str) -> timedelta | None:
        """How long an answer counts."""
        return self.shorter.get(LIFE[row], LIVES[LIFE[row]])

    def screen(self, said: dict[str, Said], *, whole_at: datetime | None = None) -> None:
        """Another set of answers stands: what was decided or lifted on other ones is dead.

        Args:
            whole_at: when all of it was gone through; left out where only some was asked.
        """
        self.said = said
        self.whole_at = whole_at or self.whole_at
        for technique, decided in list(self.decided.items()):
            if decided.findings != self.findings(technique):
                del self.decided[technique]
        for (row, technique), (text, _) in list(self.lifts.items()):
            now = said.get(row)
            still = now is not None and (now.state, now.text) == ("yes", text)
            if not still or self.cell(row, technique)[0] == "N":
                del self.lifts[row, technique]

    def decide(self, technique: str, *, proceed: bool, expires_at: datetime) -> None:
        self.decided[technique] = Decided(proceed, self.findings(technique), expires_at)

    def findings(self, technique: str) -> frozenset[tuple[str, str, str]]:
        """What counts against a technique as the answers stand, with what it means here."""
        return frozenset(
            (row, one.text, self.cell(row, technique)[0])
            for row, one in (self.said or {}).items()
            if one.state == "yes" and self.cell(row, technique)[0] != "N"
        )

    def open_rows(self, technique: str, at: datetime) -> set[str]:
        """What must be asked before this technique begins: not answered, unknown, or past its shelf life."""
        return {
            row
            for row in LIFE
            if self.cell(row, technique)[0] != "N" and self._of_row(row, technique, at, True)[1]
        }

    def result(self, technique: str, purpose: str, at: datetime) -> str | None:
        """The worst over the cells; None without a screening."""
        if self.said is None:
            return None
        strict = purpose in AT_THE_BEDSIDE
        cells = [self._of_row(row, technique, at, strict)[0] for row in LIFE]
        if strict and self.to_screen_again:
            cells.append("incomplete")
        return max(cells, key=ORDER.index)

    @property
    def to_screen_again(self) -> bool:
        """A change of care setting opens a re-screening: nothing begins before all of it was gone through."""
        return self.moved_at is not None and (self.whole_at is None or self.whole_at < self.moved_at)

    def allowed(self, technique: str, purpose: str, at: datetime) -> bool:
        """Whether it may be treated."""
        result = self.result(technique, purpose, at)
        if result != "clinician_must_decide":
            return result == "none_found"
        decided = self.decided.get(technique)
        stands = decided is not None and decided.findings == self.findings(technique)
        if decided is not None and stands and at < decided.expires_at:
            return decided.proceed
        return all(
            grade == "A" and self.lifted(row, technique, at) for row, _, grade in self.findings(technique)
        )

    def lifted(self, row: str, technique: str, at: datetime) -> bool:
        lift = self.lifts.get((row, technique))
        return lift is not None and at < lift[1]

    def _of_row(self, row: str, technique: str, at: datetime, strict: bool) -> tuple[str, bool]:
        """What a row means for a technique, and whether it must be asked."""
        grade, _ = self.cell(row, technique)
        one = (self.said or {}).get(row)
        if grade == "N":
            return "none_found", False
        if one is None or one.state == "unknown":
            return "incomplete", True
        life = self.life(row)
        aged = strict and life is not None and at - one.at > life
        if one.state == "no":
            return ("incomplete", True) if aged else ("none_found", False)
        bars = grade == "A" and not self.lifted(row, technique, at)
        if bars:
            # What was found to bar does not bar less because it was found long ago.
            return "do_not_start", aged
        return ("incomplete", True) if aged else ("clinician_must_decide", False)


def answered(
    before: dict[str, Said] | None, new: dict[str, str], at: datetime, *, keep: bool
) -> dict[str, Said]:
    """The answers that stand after some were given: the others stay as they were, or are left open."""
    kept = dict(before or {}) if keep else {}
    return kept | {row: Said(state, state, at) for row, state in new.items()}


def platelets(before: dict[str, Said] | None, value: int, at: datetime) -> dict[str, Said]:
    """A count of platelets answers its two rows: 20 to 49, and under 20 x10^9/L (local cuts, exercise tables)."""
    rows = {"platelets_20_to_49": 20 <= value < 50, "platelets_under_20": value < 20}
    given = {row: Said("yes" if so else "no", str(value), at) for row, so in rows.items()}
    return dict(before or {}) | given


def in_words(said: dict[str, Said], row: str) -> dict[str, Said]:
    """A word took the place of the number: what it had said of the other row stays as a word."""
    others = {"platelets_20_to_49", "platelets_under_20"} - {row}
    return {key: replace(one, text=one.state) if key in others else one for key, one in said.items()}
