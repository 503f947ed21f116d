"""What a person orders, as one value: typed on the form, checked by the rules, kept by the services. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from therapy.orders.doses import Dose
from therapy.orders.rules import Check, Finding, Lungs, OrderedMedicine, check_dose, check_inhaled

# How often a day, evidence: acute 2 to 4 a day, home 2 a day, 3 to 4 in an exacerbation (from memory, unsure).
USUAL_TIMES_A_DAY = (1, 4)
POSSIBLE_TIMES_A_DAY = (1, 12)


@dataclass(frozen=True, slots=True)
class Medicine:
    """One inhaled medicine with the words it was ordered in."""

    kind: str
    timing: str
    words: str = ""
    lead_minutes: int | None = None


@dataclass(frozen=True, slots=True)
class Prescription:
    """One order before it is stored.

    Args:
        reasons: field name to the reason given for a value outside what is published.
        medicines: in the sequence in which they are taken; those with timing "after" follow clearance.
        independent_sets_a_day: what the patient does alone beside the treatments; never pooled with them.
    """

    technique: str
    dose: Dose
    times_a_day: int
    source: str
    prescriber: str
    read_back: bool = False
    reasons: Mapping[str, str] = field(default_factory=dict)
    medicines: tuple[Medicine, ...] = ()
    independent_sets_a_day: int | None = None
    valid_until: datetime | None = None
    helps_here_reason: str = ""
    notes: str = ""


def check(prescription: Prescription, *, lungs: Lungs, first_use: bool) -> Check:
    """Everything that the rules find in a prescription, whether or not a reason was given for it."""
    dose = check_dose(prescription.technique, prescription.dose, first_use=first_use)
    medicines = [
        OrderedMedicine(each.kind, each.timing, each.lead_minutes) for each in prescription.medicines
    ]
    inhaled = check_inhaled(medicines, lungs, technique=prescription.technique)
    return Check((*dose.findings, *_times(prescription.times_a_day), *inhaled.findings))


def unanswered(prescription: Prescription, found: Check) -> tuple[Finding, ...]:
    """The questions to which no reason was given yet."""
    return tuple(each for each in found.to_ask if not prescription.reasons.get(each.field, "").strip())


def _times(times_a_day: int) -> tuple[Finding, ...]:
    low, high = POSSIBLE_TIMES_A_DAY
    if not low <= times_a_day <= high:
        return (Finding("times_a_day", "refuse", f"Times a day must be from {low} to {high}.", ""),)
    usual = USUAL_TIMES_A_DAY[1]
    if times_a_day > usual:
        message = f"{times_a_day} times a day is more than the usual 1 to {usual}."
        return (Finding("times_a_day", "ask", message, "from memory, unsure"),)
    return ()
