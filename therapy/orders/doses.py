"""What a dose consists of, technique by technique, with published ranges: read from fixtures/doses.csv. Pure."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"

TECHNIQUES: Mapping[str, str] = {
    "drainage": "Drainage positions, not head-down",
    "head_down_drainage": "Head-down drainage",
    "percussion_vibration": "Percussion and vibration",
    "pep": "PEP",
    "oscillating_pep": "Oscillating PEP",
    "hfcwo": "High-frequency chest wall oscillation",
    "mi_e": "Mechanical insufflation-exsufflation",
    "breathing_techniques": "Breathing techniques",
    "directed_cough": "Directed cough and huff",
    "assisted_cough": "Manually assisted cough",
    "incentive_spirometry": "Incentive spirometry",
}

Kind = Literal["whole", "tenths", "one of", "some of"]
DoseValue = int | str | list[str]
Dose = Mapping[str, DoseValue]


@dataclass(frozen=True, slots=True)
class DoseField:
    """One field of a technique's dose.

    Numbers are integers: whole units, or tenths of the unit where ``kind`` is "tenths". For "some of" the
    ranges count how many are chosen. ``at_first_use`` is the highest value for a first use, where there is one.
    ``counts_as`` names the order's own column that a part delivery is measured against. ``mark`` says how the
    fact was seen: S source, S2 second hand, H a hospital's policy, M from memory, L local convention.
    """

    technique: str
    name: str
    words: str
    kind: Kind
    unit: str
    choices: Mapping[str, str]
    start: DoseValue
    published_low: int | None
    published_high: int | None
    hard_low: int | None
    hard_high: int | None
    at_first_use: int | None
    counts_as: str
    source: str
    mark: str
    note: str

    @property
    def is_number(self) -> bool:
        return self.kind in {"whole", "tenths"}


@dataclass(frozen=True, slots=True)
class Inhaled:
    """An inhaled medicine's published place: clearance itself is step 4."""

    kind: str
    words: str
    step: int
    timings: tuple[str, ...]
    lead_low_minutes: int | None
    lead_high_minutes: int | None
    source: str
    mark: str
    note: str


@cache
def dose_fields(technique: str) -> tuple[DoseField, ...]:
    """The dose fields of a technique, in the order in which they are asked.

    Raises:
        KeyError: the technique has no column in the rule table, so that it cannot be ordered.
    """
    return _all_fields()[technique]


@cache
def inhaled_medicines() -> Mapping[str, Inhaled]:
    """The inhaled medicines by kind, in published sequence."""
    medicines = [
        Inhaled(
            kind=row["kind"],
            words=row["words"],
            step=int(row["step"]),
            timings=tuple(row["timing"].split(" or ")),
            lead_low_minutes=_number(row["lead_low_minutes"]),
            lead_high_minutes=_number(row["lead_high_minutes"]),
            source=row["source"],
            mark=row["mark"],
            note=row["note"],
        )
        for row in _rows("inhaled.csv")
    ]
    return {each.kind: each for each in sorted(medicines, key=lambda each: each.step)}


def starting_dose(technique: str) -> dict[str, DoseValue]:
    """The starting value of every field: a suggestion with its source, for a clinician to change."""
    return {field.name: field.start for field in dose_fields(technique)}


def counted_columns(technique: str, dose: Dose) -> dict[str, int]:
    """What of a dose an order keeps in columns of its own: sets, breaths_per_set, minutes, positions, cycles."""
    columns: dict[str, int] = {}
    for field in dose_fields(technique):
        value = dose.get(field.name)
        if field.counts_as and value is not None:
            columns[field.counts_as] = len(value) if isinstance(value, list) else int(value)
    each = dose.get("minutes_per_position")
    if isinstance(each, int) and "positions" in columns:
        columns["minutes"] = each * columns["positions"]
    return columns


@cache
def _all_fields() -> Mapping[str, tuple[DoseField, ...]]:
    fields: dict[str, list[DoseField]] = {technique: [] for technique in TECHNIQUES}
    for row in _rows("doses.csv"):
        fields[row["technique"]].append(_field(row))
    return {technique: tuple(of_technique) for technique, of_technique in fields.items()}


def _field(row: Mapping[str, str]) -> DoseField:
    kinds: Mapping[str, Kind] = {
        "whole": "whole",
        "tenths": "tenths",
        "one of": "one of",
        "some of": "some of",
    }
    kind = kinds[row["kind"]]
    start: DoseValue = row["start"]
    if kind in {"whole", "tenths"}:
        start = int(row["start"])
    elif kind == "some of":
        start = row["start"].split("|")
    return DoseField(
        technique=row["technique"],
        name=row["field"],
        words=row["words"],
        kind=kind,
        unit=row["unit"],
        choices=_choices(row["choices"]),
        start=start,
        published_low=_number(row["published_low"]),
        published_high=_number(row["published_high"]),
        hard_low=_number(row["hard_low"]),
        hard_high=_number(row["hard_high"]),
        at_first_use=_number(row["at_first_use"]),
        counts_as=row["counts_as"],
        source=row["source"],
        mark=row["mark"],
        note=row["note"],
    )


def _choices(cell: str) -> Mapping[str, str]:
    return dict(choice.split("=", 1) for choice in cell.split("|")) if cell else {}


def _number(cell: str) -> int | None:
    return int(cell) if cell else None


def _rows(name: str) -> list[dict[str, str]]:
    with (FIXTURES / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))
