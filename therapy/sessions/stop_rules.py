"""What to do when a treatment is stopped, who is called by how severe it is, and when to measure again. Pure.

Shown beside the local protocol, which comes first; it supports whoever is at the bedside and decides nothing.
Sources: AARC Clinical Practice Guideline, Postural Drainage Therapy, Respir Care 1991;36:1418 (hazards: stop, restore
the resting position, call the prescriber), from memory; the rest is common practice without a source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

# Common practice, no source: soon enough to see a fall go on, and once more before one leaves the bedside.
RECHECK_MINUTES = (5, 15)
SOURCE = "Stop, resting position, call the prescriber: AARC 1991, from memory. The rest: common practice, no source."


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do now."""

    words: str
    detail: str


STEPS = (
    Step("Stop the treatment", "Take the device or the hands away. Stay with the patient."),
    Step(
        "Back to the resting position",
        "Upright or as the patient breathes most easily; never head-down. Suction is not held back.",
    ),
    Step("Oxygen back to the target range", "As prescribed for this patient, by the patient's own range."),
    Step("Call for help", "By how severe it is, below. Earlier rather than later."),
)


@dataclass(frozen=True, slots=True)
class Call:
    """Whom to call at once for which signs."""

    who: str
    when: str


CALLS = (
    Call(
        "Emergency team, by the local number",
        "Not responding, hardly breathing, chest pain or collapse, a pneumothorax suspected, bleeding that does not "
        "stop, or SpO2 below the patient's stop limit that does not come back.",
    ),
    Call(
        "The doctor on call or the prescriber, now",
        "SpO2 or breathing not back where it was at the first check, bronchospasm, a change of heart rhythm, vomiting "
        "with aspiration, fresh blood, signs of raised intracranial pressure.",
    ),
    Call(
        "The nurse in charge, and the prescriber today",
        "Everything that made you stop and has settled.",
    ),
)

# Kinds of adverse event that are called for as an emergency, or at once; every other one: the nurse in charge.
_EMERGENCY = frozenset({"suspected_pneumothorax"})
_NOW = frozenset(
    {"hypoxaemia", "bronchospasm", "bleeding", "dysrhythmia", "vomiting_or_aspiration", "raised_icp_signs"}
)
ADVICE: Mapping[str, str] = {
    "suspected_pneumothorax": "No positive pressure and no forceful cough until it is ruled out.",
    "bleeding": "Fresh blood of unknown amount counts as the worst class until it is known.",
    "vomiting_or_aspiration": "Upright or on the side; suction as needed.",
    "raised_icp_signs": "Head up, never head-down; no cough on request.",
}


def call_for(sign: str) -> Call | None:
    """Whom to call for a sign; None before one is named."""
    if not sign:
        return None
    return CALLS[0] if sign in _EMERGENCY else CALLS[1] if sign in _NOW else CALLS[2]


def due(stopped_at: datetime) -> tuple[tuple[int, datetime], ...]:
    """When the patient is measured again: after how many minutes, and at what time."""
    return tuple((minutes, stopped_at + timedelta(minutes=minutes)) for minutes in RECHECK_MINUTES)
