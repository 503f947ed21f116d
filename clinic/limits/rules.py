"""What a measured vital sign means for one patient: own target range, own stop limits, and those of the age band. Pure.

What is unknown stays unknown: a value that is missing, oxygen that was not recorded, or an age band without numbers
gives no finding, never "no finding". Limits of adults are never applied to a child. A finding supports a decision and
makes none: local protocols and the licensed clinician come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Literal

Kind = Literal["stop", "look"]
Moment = Literal["before", "after"]

# British Thoracic Society oxygen guideline 2017 (BMJ Open Respir Res 4:e000170): a fall of 3 points or more, or below
# the patient's own target range, asks for an assessment.
SPO2_FALL_POINTS = 3
_BTS = "British Thoracic Society oxygen guideline 2017"
_LOCAL = "Set for this patient"
_ASSESS = "Rest, sit up, measure again before the next set. Local protocol decides."
_STOP = "Stop, return to the resting position, and call whoever must decide. Local protocol decides."


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


def level_findings(
    value: Saturation | None, target: Target | None, moment: Moment, said: str
) -> tuple[Finding, ...]:
    """A saturation below the patient's stop limit, else below the target range; whatever the oxygen.

    Args:
        moment: which of two measurements it is.
        said: how the finding names it, such as "SpO2 after".
    """
    if value is None or target is None:
        return ()
    if target.stop_below is not None and value.percent < target.stop_below:
        words = f"{said} is {value.percent} %, below the limit of {target.stop_below} %."
        return (Finding("spo2_stop", "stop", f"spo2_{moment}", words, _STOP, _LOCAL),)
    if value.percent < target.low:
        words = f"{said} is {value.percent} %, below the target range of {target.low} to {target.high} %."
        return (Finding("spo2_below_target", "look", f"spo2_{moment}", words, _ASSESS, _BTS),)
    return ()


def fall_findings(before: Saturation | None, after: Saturation | None) -> tuple[Finding, ...]:
    """A fall of three points or more, found at the same oxygen only."""
    if before is None or after is None or not same_oxygen(before.oxygen, after.oxygen):
        return ()
    fall = before.percent - after.percent
    if fall < SPO2_FALL_POINTS:
        return ()
    words = f"SpO2 fell {fall} points at the same oxygen."
    return (Finding("spo2_fall", "look", "spo2_after", words, _ASSESS, _BTS),)


def spo2_findings(
    before: Saturation | None, after: Saturation | None, target: Target | None
) -> tuple[Finding, ...]:
    """What a saturation before and after says: stop below the patient's limit; a fall; below the target range."""
    return (
        *level_findings(before, target, "before", "SpO2 before"),
        *level_findings(after, target, "after", "SpO2 after"),
        *fall_findings(before, after),
    )


class AgeBand(StrEnum):
    """Age in whole years; the bands are those in which a clinic sets its own limits."""

    INFANT = "infant"
    TO_4 = "1-4"
    TO_7 = "5-7"
    TO_11 = "8-11"
    TO_15 = "12-15"
    ADULT = "adult"


BAND_WORDS: Mapping[AgeBand, str] = {
    AgeBand.INFANT: "infants under 1 year",
    AgeBand.TO_4: "children of 1 to 4 years",
    AgeBand.TO_7: "children of 5 to 7 years",
    AgeBand.TO_11: "children of 8 to 11 years",
    AgeBand.TO_15: "young people of 12 to 15 years",
    AgeBand.ADULT: "adults, from 16 years",
}
_UP_TO_YEARS = (
    (0, AgeBand.INFANT), (4, AgeBand.TO_4), (7, AgeBand.TO_7), (11, AgeBand.TO_11), (15, AgeBand.TO_15),
)  # fmt: skip
ADULT_FROM_YEARS = 16


def age_band(age_years: int) -> AgeBand:
    """The band of an age in whole years."""
    return next((band for last, band in _UP_TO_YEARS if age_years <= last), AgeBand.ADULT)


@dataclass(frozen=True, slots=True)
class Limits:
    """Below or above what a vital sign calls for a look, or for a stop; None where nothing is set. Ends are allowed."""

    pulse_below: int | None = None
    pulse_above: int | None = None
    respiratory_rate_below: int | None = None
    respiratory_rate_above: int | None = None
    systolic_below: int | None = None
    systolic_above: int | None = None
    pulse_change_percent: int | None = None

    @property
    def any_set(self) -> bool:
        return any(getattr(self, each.name) is not None for each in fields(self))

    def parts(self) -> list[str]:
        """Each limit in words: `pulse below 50 or above 120 /min`."""
        found = []
        for sign, (words, unit) in SIGNS.items():
            low, high = getattr(self, f"{sign}_below"), getattr(self, f"{sign}_above")
            ends = [f"below {low}" if low is not None else "", f"above {high}" if high is not None else ""]
            if any(ends):
                found.append(f"{words} {' or '.join(end for end in ends if end)} {unit}")
        if self.pulse_change_percent is not None:
            found.append(f"pulse changing by more than {self.pulse_change_percent} %")
        return found


LIMIT_FIELDS = tuple(each.name for each in fields(Limits))
# The signs that limits are set for: words and unit.
SIGNS: Mapping[str, tuple[str, str]] = {
    "pulse": ("pulse", "/min"),
    "respiratory_rate": ("breathing rate", "/min"),
    "systolic": ("systolic blood pressure", "mmHg"),
}
# Which kind of measurement each is.
KIND_OF_SIGN: Mapping[str, str] = {
    "pulse": "pulse_per_min",
    "respiratory_rate": "respiratory_rate_per_min",
    "systolic": "systolic_mmhg",
}
# Royal College of Physicians 2017: scale 2 is for hypercapnic respiratory failure with a target of 88 to 92 %.
SCALE_2_TARGET = (88, 92)
# Adults only, by analogy with the mobilisation of intensive-care patients (review, 2020, tables 5-6, second hand).
# There is no paediatric number here: none was seen in a source.
ADULT_DEFAULT = Limits(40, 130, 5, 40, 90, 180)
ADULT_SOURCE = "By analogy with intensive-care mobilisation, review 2020 (second hand)"


@dataclass(frozen=True, slots=True)
class BandLimits:
    """The warning limits of an age band, and where they come from; None where the clinic has set none."""

    band: AgeBand
    limits: Limits | None
    source: str = ""


def default_of(band: AgeBand) -> BandLimits:
    """What holds until the clinic sets its own: numbers for adults, nothing for any child."""
    if band is AgeBand.ADULT:
        return BandLimits(band, ADULT_DEFAULT, ADULT_SOURCE)
    return BandLimits(band, None)


Signs = Mapping[str, int | None]


def sign_findings(
    before: Signs,
    after: Signs,
    *,
    stop: Limits | None,
    band: BandLimits,
    names: tuple[str, str] = ("before", "after"),
) -> tuple[Finding, ...]:
    """Pulse, breathing rate and systolic pressure beyond the patient's stop limits, else beyond those of the age band.

    Args:
        before, after: value by sign; a sign left out was not measured.
        stop: set for this patient; None where none are set.
        band: the limits of the patient's own age band, never of another.
        names: how the two measurements are called; empty where there is only one.
    """
    found: list[Finding] = []
    moments: tuple[tuple[Moment, Signs, str], ...] = (
        ("before", before, names[0]),
        ("after", after, names[1]),
    )
    for moment, signs, name in moments:
        for sign in SIGNS:
            value = signs.get(sign)
            if value is not None:
                found += _of_sign(sign, value, (moment, name), stop, band)
    found += _of_change(before.get("pulse"), after.get("pulse"), stop, band)
    return tuple(found)


def _of_sign(
    sign: str, value: int, when: tuple[Moment, str], stop: Limits | None, band: BandLimits
) -> list[Finding]:
    (moment, name), (words, unit) = when, SIGNS[sign]
    said = f"{words[:1].upper()}{words[1:]} {name}".rstrip() + f" is {value} {unit}"
    if beyond := _beyond(sign, value, stop):
        words = f"{said}, {beyond} {unit}, the limit set for this patient."
        return [Finding(f"{sign}_stop", "stop", f"{sign}_{moment}", words, _STOP, _LOCAL)]
    if beyond := _beyond(sign, value, band.limits):
        words = f"{said}, {beyond} {unit}."
        return [Finding(f"{sign}_outside", "look", f"{sign}_{moment}", words, _ASSESS, band.source)]
    return []


def _beyond(sign: str, value: int, limits: Limits | None) -> str:
    if limits is None:
        return ""
    low, high = getattr(limits, f"{sign}_below"), getattr(limits, f"{sign}_above")
    if low is not None and value < low:
        return f"below {low}"
    return f"above {high}" if high is not None and value > high else ""


def _of_change(before: int | None, after: int | None, stop: Limits | None, band: BandLimits) -> list[Finding]:
    if before is None or after is None:
        return []
    for limits, code, kind, action, source in (
        (stop, "pulse_change_stop", "stop", _STOP, _LOCAL),
        (band.limits, "pulse_change", "look", _ASSESS, band.source),
    ):
        most = limits.pulse_change_percent if limits is not None else None
        # In whole numbers, so that exactly the limit is never beyond it.
        if most is not None and 100 * abs(after - before) > most * before:
            words = f"Pulse changed from {before} to {after} /min, by more than {most} %."
            named: Kind = "stop" if kind == "stop" else "look"
            return [Finding(code, named, "pulse_after", words, action, source)]
    return []


@dataclass(frozen=True, slots=True)
class Watch:
    """Everything that the numbers of one patient are held against at one time."""

    target: Target | None
    range_set: bool
    stop: Limits | None
    band: BandLimits

    @property
    def target_words(self) -> str:
        """`Target SpO2 88 to 92 %.`"""
        if self.target is None or not self.range_set:
            return "No target range of SpO2 is set for this patient: ask."
        return f"Target SpO2 {self.target.low} to {self.target.high} %."

    @property
    def stop_parts(self) -> list[str]:
        spo2 = self.target.stop_below if self.target is not None else None
        return [
            *([f"SpO2 below {spo2} %"] if spo2 is not None else []),
            *(self.stop.parts() if self.stop is not None else []),
        ]

    @property
    def has_stop_limits(self) -> bool:
        return bool(self.stop_parts)

    @property
    def stop_words(self) -> str:
        """`Stop: SpO2 below 86 %; pulse above 120 /min.` Where nothing is set, that is said."""
        return f"Stop: {'; '.join(self.stop_parts)}." if self.has_stop_limits else "No stop limits set."

    @property
    def band_words(self) -> str:
        """The warning limits of the age band, or that none are set and so none is computed."""
        who = BAND_WORDS[self.band.band]
        if self.band.limits is None or not self.band.limits.any_set:
            return f"No warning limits are set for {who}: pulse, breathing rate and blood pressure are not judged."
        return f"Warning limits for {who}: {'; '.join(self.band.limits.parts())}."

    @property
    def bedside_words(self) -> str:
        """Target and stop limits in one line, for the head of a bedside page."""
        return f"{self.target_words} {self.stop_words}"
