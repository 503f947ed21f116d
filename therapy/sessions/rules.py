"""The rules of a recorded treatment: why it was not given, how much was given, and what a measurement means. Pure.

What is unknown stays unknown: a value that is missing, or oxygen that was not recorded, gives no finding, never
"no finding". A finding supports a decision and makes none: local protocols and the licensed clinician come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

GIVEN = ("full", "part")
DeliveredWord = Literal["full", "part", "not_delivered"]
Kind = Literal["stop", "look"]


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


@dataclass(frozen=True, slots=True)
class OxygenGiven:
    """The oxygen at a measurement: air, or a device with its flow or the inspired fraction."""

    device: str
    flow_ml_per_min: int | None = None
    fio2_percent: int | None = None


def same_oxygen(before: OxygenGiven | None, after: OxygenGiven | None) -> bool:
    """Whether two measurements were made on the same oxygen. Oxygen that is not known is never the same.

    A saturation cannot be read without the oxygen given (British Thoracic Society oxygen guideline 2017, BMJ Open
    Respir Res 4:e000170): two are compared only at the same oxygen.
    """
    if before is None or after is None or "unknown" in (before.device, after.device):
        return False
    if before.device == after.device == "air":
        return True
    known = before.flow_ml_per_min is not None or before.fio2_percent is not None
    return known and before == after


@dataclass(frozen=True, slots=True)
class Saturation:
    """One SpO2 in per cent with its oxygen."""

    percent: int
    oxygen: OxygenGiven | None


@dataclass(frozen=True, slots=True)
class Target:
    """A patient's own SpO2 target range in per cent, and below what to stop; there is no silent default."""

    low: int
    high: int
    stop_below: int | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to look at, or a reason to stop, with its source."""

    code: str
    kind: Kind
    field: str
    words: str
    action: str
    source: str


# British Thoracic Society oxygen guideline 2017: a fall of 3 points or more, or below the patient's own target range,
# asks for an assessment.
SPO2_FALL_POINTS = 3
_BTS = "British Thoracic Society oxygen guideline 2017"
_LOCAL = "Set for this patient"
_ASSESS = "Rest, sit up, measure again before the next set. Local protocol decides."
_STOP = "Stop, return to the resting position, and call whoever must decide. Local protocol decides."


def spo2_findings(
    before: Saturation | None, after: Saturation | None, target: Target | None
) -> tuple[Finding, ...]:
    """What a saturation before and after says: stop below the patient's limit; a fall; below the target range.

    A fall is only found at the same oxygen; a value below a limit is found whatever the oxygen.
    """
    found: list[Finding] = []
    for moment, value in (("before", before), ("after", after)):
        if value is None or target is None:
            continue
        if target.stop_below is not None and value.percent < target.stop_below:
            words = f"SpO2 {moment} is {value.percent} %, below the limit of {target.stop_below} %."
            found.append(Finding("spo2_stop", "stop", f"spo2_{moment}", words, _STOP, _LOCAL))
        elif value.percent < target.low:
            words = f"SpO2 {moment} is {value.percent} %, below the target range of {target.low} to {target.high} %."
            found.append(Finding("spo2_below_target", "look", f"spo2_{moment}", words, _ASSESS, _BTS))
    if before is not None and after is not None and same_oxygen(before.oxygen, after.oxygen):
        fall = before.percent - after.percent
        if fall >= SPO2_FALL_POINTS:
            words = f"SpO2 fell {fall} points at the same oxygen."
            found.append(Finding("spo2_fall", "look", "spo2_after", words, _ASSESS, _BTS))
    return tuple(found)


# Adults only: heart rate 40 to 130, by analogy with the mobilisation of intensive-care patients (review, 2020, tables
# 5-6, second hand). Never applied below 16 years without an age band set by the clinic.
PULSE_STOP = (40, 130)
RESPIRATORY_RATE_STOP = (5, 40)
_ICU = "By analogy with intensive-care mobilisation, review 2020 (second hand)"


def rate_findings(
    pulse_per_min: int | None, respiratory_rate_per_min: int | None, age_years: int | None, moment: str
) -> tuple[Finding, ...]:
    """Pulse and breathing rate beyond what is usual to treat at, from 16 years; a younger or unknown age: none."""
    if age_years is None or age_years < 16:
        return ()
    found = []
    for name, words, value, (low, high) in (
        ("pulse", "Pulse", pulse_per_min, PULSE_STOP),
        ("respiratory_rate", "Breathing rate", respiratory_rate_per_min, RESPIRATORY_RATE_STOP),
    ):
        if value is not None and not low <= value <= high:
            said = f"{words} {moment} is {value} /min, outside {low} to {high} /min."
            found.append(Finding(f"{name}_outside", "look", f"{name}_{moment}", said, _ASSESS, _ICU))
    return tuple(found)


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
