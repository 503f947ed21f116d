"""Whether a dose lies within what is published, and whether inhaled medicines stand in their sequence. Pure.

A finding never decides: within hard limits it asks once and the reason is kept; beyond them the order is refused
with the field and its range. Local protocols and the prescriber stand above every range here.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from therapy.orders.doses import TECHNIQUES, Dose, DoseField, DoseValue, dose_fields, inhaled_medicines

Severity = Literal["ask", "refuse"]
Outcome = Literal["ok", "ask", "refused"]
YesNoUnknown = Literal["yes", "no", "unknown"]

# AARC postural drainage 1991, from memory: 20 to 40 minutes in all; longer asks once.
LONGEST_DRAINAGE_MINUTES = 40
CLEARANCE_STEP = 4


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to ask about or refuse, worded for the person who orders."""

    field: str
    severity: Severity
    message: str
    source: str


@dataclass(frozen=True, slots=True)
class Check:
    """Everything found, and the worst of it."""

    findings: tuple[Finding, ...]

    @property
    def outcome(self) -> Outcome:
        severities = {finding.severity for finding in self.findings}
        if "refuse" in severities:
            return "refused"
        return "ask" if severities else "ok"

    @property
    def to_ask(self) -> tuple[Finding, ...]:
        return tuple(each for each in self.findings if each.severity == "ask")

    @property
    def refused(self) -> tuple[Finding, ...]:
        return tuple(each for each in self.findings if each.severity == "refuse")


@dataclass(frozen=True, slots=True)
class OrderedMedicine:
    """One inhaled medicine as ordered: its kind and whether it comes before, during or after clearance."""

    kind: str
    timing: str
    lead_minutes: int | None = None


@dataclass(frozen=True, slots=True)
class Lungs:
    """What of the patient bears on inhaled medicines. Unknown is never no."""

    cystic_fibrosis: YesNoUnknown = "unknown"
    bronchiectasis: YesNoUnknown = "unknown"
    coughing_blood: YesNoUnknown = "unknown"


def check_dose(technique: str, dose: Dose, *, first_use: bool = False) -> Check:
    """Hold a dose against the ranges of its technique.

    Args:
        technique: a key of TECHNIQUES.
        dose: field name to value: whole units or tenths as the field says, a choice's key, or a list of keys.
        first_use: whether the patient uses the technique for the first time (lowest resistance first).
    """
    if technique not in TECHNIQUES:
        return Check((Finding("technique", "refuse", "This technique cannot be ordered.", ""),))
    fields = dose_fields(technique)
    findings = [found for field in fields for found in _check_field(field, dose.get(field.name), first_use)]
    known = {field.name for field in fields}
    findings += [
        Finding(name, "refuse", f"{name} is not part of a dose of {TECHNIQUES[technique]}.", "")
        for name in sorted(set(dose) - known)
    ]
    findings += _check_whole_drainage(technique, dose)
    return Check(tuple(findings))


def check_inhaled(medicines: Sequence[OrderedMedicine], lungs: Lungs, *, technique: str) -> Check:
    """Hold inhaled medicines against their published sequence and the two bars of evidence.

    Refused: dornase in bronchiectasis without cystic fibrosis (AARC pharmacologic 2015), also while either is
    unknown beside a yes of bronchiectasis; anything inhaled while the patient coughs blood; a medicine twice.
    Asked once: another sequence or timing than the published one; blood not asked about.
    """
    if not medicines:
        return Check(())
    findings = [*_bars(medicines, lungs), *_sequence(medicines)]
    kinds = {each.kind for each in medicines}
    if "hypertonic_saline" in kinds and technique in {"pep", "oscillating_pep"}:
        saline = next(each for each in medicines if each.kind == "hypertonic_saline")
        if saline.timing == "during":
            findings.append(
                Finding(
                    "medicines",
                    "ask",
                    "Alternate saline and the mouthpiece: do not inhale saline through it at the same moment.",
                    inhaled_medicines()["hypertonic_saline"].source,
                )
            )
    return Check(tuple(findings))


def words_for(field: DoseField, value: DoseValue | None) -> str:
    """A dose value as people read it, with its unit: "3.5 s", "On the left side, On the right side"."""
    if value is None or value in ("", []):
        return "Not recorded"
    if field.kind == "one of":
        return field.choices.get(str(value), str(value))
    if isinstance(value, list):
        return ", ".join(field.choices.get(each, each) for each in value)
    if not isinstance(value, int):
        return str(value)
    if field.unit in {"setting", "breaths", "sets", "huffs", "coughs", "cycles"}:
        return _plain(field, value)
    return f"{_plain(field, value)} {field.unit}"


def published_range(field: DoseField) -> str:
    """The published range in words, or that none is known."""
    low, high = field.published_low, field.published_high
    unit = "" if field.unit == "setting" else f" {field.unit}"
    if low is not None and high is not None:
        return f"{_plain(field, low)} to {_plain(field, high)}{unit}"
    if low is not None:
        return f"at least {_plain(field, low)}{unit}"
    return "no published range"


def _check_field(field: DoseField, value: DoseValue | None, first_use: bool) -> Iterable[Finding]:
    if value is None or value in ("", []):
        return [_refuse(field, f"Enter {field.words.lower()}.")]
    if field.kind == "one of":
        return (
            [] if value in field.choices else [_refuse(field, f"Choose {field.words.lower()} from the list.")]
        )
    if field.kind == "some of":
        if not isinstance(value, list) or len(set(value)) != len(value) or set(value) - set(field.choices):
            return [_refuse(field, f"Choose {field.words.lower()} from the list.")]
        number = len(value)
    elif isinstance(value, bool) or not isinstance(value, int):
        return [_refuse(field, f"{field.words} must be a number.")]
    else:
        number = value
    return _check_number(field, number, first_use)


def _check_number(field: DoseField, number: int, first_use: bool) -> list[Finding]:
    low, high = field.hard_low, field.hard_high
    if low is not None and high is not None and not low <= number <= high:
        unit = "" if field.unit == "setting" else f" {field.unit}"
        return [
            _refuse(field, f"{field.words} must be from {_plain(field, low)} to {_plain(field, high)}{unit}.")
        ]
    below = field.published_low is not None and number < field.published_low
    above = field.published_high is not None and number > field.published_high
    if below or above:
        side = "below" if below else "above"
        return [
            _ask(
                field,
                f"{field.words} {words_for(field, number)} is {side} the published range of "
                f"{published_range(field)}.",
            )
        ]
    if first_use and field.at_first_use is not None and number > field.at_first_use:
        return [
            _ask(
                field,
                f"{field.words} {words_for(field, number)} is above the usual start of "
                f"{words_for(field, field.at_first_use)} at first use.",
            )
        ]
    return []


def _check_whole_drainage(technique: str, dose: Dose) -> list[Finding]:
    positions, each = dose.get("positions"), dose.get("minutes_per_position")
    if technique not in {"drainage", "head_down_drainage"}:
        return []
    if not isinstance(positions, list) or not isinstance(each, int):
        return []
    if len(positions) * each <= LONGEST_DRAINAGE_MINUTES:
        return []
    return [
        Finding(
            "minutes_per_position",
            "ask",
            f"{len(positions)} positions of {each} min are {len(positions) * each} min in all; "
            f"usual are 20 to {LONGEST_DRAINAGE_MINUTES} min.",
            "AARC postural drainage 1991, from memory",
        )
    ]


def _bars(medicines: Sequence[OrderedMedicine], lungs: Lungs) -> list[Finding]:
    findings = []
    kinds = [each.kind for each in medicines]
    unknown = sorted(set(kinds) - set(inhaled_medicines()))
    if unknown or len(set(kinds)) != len(kinds):
        findings.append(Finding("medicines", "refuse", "Name each inhaled medicine once, from the list.", ""))
    if lungs.coughing_blood == "yes":
        findings.append(
            Finding(
                "medicines",
                "refuse",
                "Nothing inhaled while the patient coughs blood: stop, and ask the prescriber.",
                "hospital patient page on inhaled therapies (one centre pauses and calls)",
            )
        )
    elif lungs.coughing_blood == "unknown":
        findings.append(
            Finding(
                "medicines",
                "ask",
                "Whether the patient coughs blood is not known: nothing is inhaled while bleeding.",
                "hospital patient page on inhaled therapies",
            )
        )
    if "dornase" in kinds and lungs.cystic_fibrosis != "yes":
        if lungs.bronchiectasis == "yes":
            message = "Dornase should not be used in bronchiectasis without cystic fibrosis."
            findings.append(Finding("medicines", "refuse", message, "AARC pharmacologic clearance 2015"))
        elif lungs.bronchiectasis == "unknown":
            message = "Dornase should not be used in bronchiectasis without cystic fibrosis: is either known?"
            findings.append(Finding("medicines", "ask", message, "AARC pharmacologic clearance 2015"))
    return findings


def _sequence(medicines: Sequence[OrderedMedicine]) -> list[Finding]:
    table = inhaled_medicines()
    findings = []
    known = [each for each in medicines if each.kind in table]
    for each in known:
        fact = table[each.kind]
        if each.timing not in fact.timings:
            findings.append(
                Finding(
                    "medicines",
                    "ask",
                    f"{fact.words} is usually taken {' or '.join(fact.timings)} clearance.",
                    fact.source,
                )
            )
        low, high, lead = fact.lead_low_minutes, fact.lead_high_minutes, each.lead_minutes
        if lead is not None and low is not None and high is not None and not low <= lead <= high:
            usual = f"{low} to {high} min before" if high else "immediately before"
            findings.append(
                Finding("medicines", "ask", f"{fact.words} is usually taken {usual} clearance.", fact.source)
            )
    # Dornase may stand before or after clearance (sources differ), so each side is held to its own sequence.
    sides = [[each for each in known if (each.timing == "after") is after] for after in (False, True)]
    in_order = all(
        [table[each.kind].step for each in side] == sorted(table[each.kind].step for each in side)
        for side in sides
    )
    if not in_order or [each.timing == "after" for each in known] != sorted(
        each.timing == "after" for each in known
    ):
        usual = ", ".join(fact.words.lower() for fact in table.values() if fact.step < CLEARANCE_STEP)
        later = ", ".join(fact.words.lower() for fact in table.values() if fact.step > CLEARANCE_STEP)
        findings.append(
            Finding(
                "medicines",
                "ask",
                f"The published sequence is {usual}, clearance, {later}.",
                "hospital patient pages on the order of inhaled therapies",
            )
        )
    return findings


def _plain(field: DoseField, number: int) -> str:
    if field.kind != "tenths":
        return str(number)
    whole, tenth = divmod(number, 10)
    return f"{whole}.{tenth}" if tenth else str(whole)


def _ask(field: DoseField, message: str) -> Finding:
    return Finding(field.name, "ask", message, field.source)


def _refuse(field: DoseField, message: str) -> Finding:
    return Finding(field.name, "refuse", message, field.source)
