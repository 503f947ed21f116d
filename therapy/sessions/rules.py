"""The rules of a recorded treatment: why it was not given, how much was given, and which condition it found. Pure.

What the measured numbers mean stands in clinic/limits/rules.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

GIVEN = ("full", "part")
DeliveredWord = Literal["full", "part", "not_delivered"]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a treatment was not given, or was stopped early; `group` decides how it counts."""

    code: str
    words: str
    group: str
    for_not_given: bool = True
    for_part: bool = True


# Groups: whose reason it was. Declined, not in the room, discharged and no therapist are the reasons in common use
# by departments; the others are common practice, no source.
_REASONS = (
    Reason("declined", "Declined", "patient"),
    Reason("not_at_home", "Not at home", "patient", for_part=False),
    Reason("asleep", "Asleep, by wish", "patient", for_part=False),
    Reason("too_tired", "Had enough", "patient", for_not_given=False),
    Reason("no_therapist", "No therapist", "service", for_part=False),
    Reason("no_time", "No time left", "service"),
    Reason("no_device", "No device", "service"),
    Reason("overlooked", "Overlooked or mistaken", "service", for_part=False),
    Reason("screening_not_done", "Screening not done", "service", for_part=False),
    Reason("on_hold", "On hold", "clinical", for_part=False),
    Reason("unwell", "Too unwell", "clinical"),
    Reason("adverse_event", "Adverse event", "clinical", for_not_given=False),
    Reason("not_tolerated", "Not tolerated", "clinical"),
    Reason("comfort_care", "Comfort care", "clinical", for_part=False),
    Reason("theatre", "In theatre", "away"),
    Reason("imaging", "At imaging", "away"),
    Reason("dialysis", "At dialysis", "away"),
    Reason("away_elsewhere", "Away elsewhere", "away"),
    Reason("discharged", "Discharged", "away", for_part=False),
)
REASONS: Mapping[str, Reason] = {reason.code: reason for reason in _REASONS}
GROUP_WORDS: Mapping[str, str] = {
    "patient": "The patient",
    "service": "The service",
    "clinical": "Clinical",
    "away": "Away",
    "not_recorded": "Not recorded",
}

# What a part treatment is measured in: the first of these that was ordered.
DOSE_UNITS = ("sets", "minutes", "positions", "cycles", "breaths_per_set")


@dataclass(frozen=True, slots=True)
class Dose:
    """One amount of a dose: in which unit, how much was ordered, how much was done (None: not recorded)."""

    unit: str
    ordered: int
    done: int | None


def dose_of(ordered: Mapping[str, int | None], done: Mapping[str, int | None]) -> Dose | None:
    """The amount that counts: sets, or minutes, positions, cycles or breaths where no sets were ordered.

    Returns: None where nothing countable was ordered.
    """
    for unit in DOSE_UNITS:
        amount = ordered.get(unit)
        if amount:
            return Dose(unit, amount, done.get(unit))
    return None


def delivered_word(dose: Dose | None) -> DeliveredWord | None:
    """In full, in part or not given, by what was done of what was ordered; None where that is not known."""
    if dose is None or dose.done is None:
        return None
    if dose.done == 0:
        return "not_delivered"
    return "full" if dose.done >= dose.ordered else "part"


# Conditions found at the bedside that hold at once: what was seen, and the row of the rule table it answers.
# Bronchospasm during treatment counts as severe until somebody says otherwise; fresh blood of unknown amount as the
# worst class (common practice, no source).
_CONDITION_OF_EVENT: Mapping[str, str] = {
    "suspected_pneumothorax": "pneumothorax_suspected_or_tension",
    "bronchospasm": "bronchospasm_severe",
    "nausea": "nausea_severe",
    "vomiting_or_aspiration": "vomiting_now",
    "raised_icp_signs": "icp_raised_unmonitored",
    "dysrhythmia": "unstable_rhythm_or_chest_pain",
}
# CF Foundation guideline on haemoptysis 2010: scant is under 5 mL in 24 hours, massive over 240 mL.
SCANT_BELOW_ML = 5
MASSIVE_ABOVE_ML = 240


def blood_condition(seen: str, volume_ml: int | None) -> str | None:
    """The row of the rule table that blood in the sputum answers; None where none or old blood was seen.

    Streaks count as scant; fresh blood by its amount, without one as the worst class until it is known.
    """
    if seen == "streaks":
        return "haemoptysis_scant"
    if seen != "fresh":
        return None
    if volume_ml is None:
        return "haemoptysis_fresh_amount_unknown"
    if volume_ml < SCANT_BELOW_ML:
        return "haemoptysis_scant"
    return "haemoptysis_5_to_240" if volume_ml <= MASSIVE_ABOVE_ML else "haemoptysis_massive"


def conditions_found(
    events: tuple[str, ...], blood_seen: str, blood_volume_ml: int | None
) -> tuple[str, ...]:
    """Every row of the rule table that this treatment answers with yes, once each."""
    rows = [_CONDITION_OF_EVENT[kind] for kind in events if kind in _CONDITION_OF_EVENT]
    blood = blood_condition(blood_seen, blood_volume_ml)
    if blood is not None:
        rows.insert(0, blood)
    elif "bleeding" in events:
        rows.insert(0, "haemoptysis_fresh_amount_unknown")
    return tuple(dict.fromkeys(rows))
