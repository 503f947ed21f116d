"""The National Early Warning Score 2 from one complete set of vital signs. Pure.

It supports whoever is at the bedside and decides nothing: the response is by local protocol. It is never computed
from a part of the signs, under 16 years, or in pregnancy.

Source: Royal College of Physicians. National Early Warning Score (NEWS) 2. Standardising the assessment of
acute-illness severity in the NHS. London: RCP, 2017.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from clinic.calculation import NotCalculable

VERSION = "1"
SOURCE = "Royal College of Physicians, National Early Warning Score (NEWS) 2, London 2017."
FROM_AGE_YEARS = 16
SCALES = (1, 2)
CONSCIOUSNESS: Mapping[str, str] = {
    "A": "Alert",
    "C": "New confusion",
    "V": "Responds to voice",
    "P": "Responds to pain",
    "U": "Unresponsive",
}
# The parameters in the order of the chart, with what pages call them.
PARAMETERS: Mapping[str, str] = {
    "respiratory_rate": "Respiratory rate",
    "spo2": "SpO2",
    "oxygen": "Air or oxygen",
    "systolic": "Systolic blood pressure",
    "pulse": "Pulse",
    "consciousness": "Consciousness",
    "temperature": "Temperature",
}

Exact = int | Decimal | Fraction

# Each parameter as (highest value, points), in rising order; a value above the last edge takes the last points. All
# edges as printed in the chart of 2017.
_RESPIRATORY_RATE = ((8, 3), (11, 1), (20, 0), (24, 2), (None, 3))
_SPO2_SCALE_1 = ((91, 3), (93, 2), (95, 1), (None, 0))
_SPO2_SCALE_2_ON_AIR = ((83, 3), (85, 2), (87, 1), (None, 0))
_SPO2_SCALE_2_ON_OXYGEN = ((83, 3), (85, 2), (87, 1), (92, 0), (94, 1), (96, 2), (None, 3))
_SYSTOLIC = ((90, 3), (100, 2), (110, 1), (219, 0), (None, 3))
_PULSE = ((40, 3), (50, 1), (90, 0), (110, 1), (130, 2), (None, 3))
_TEMPERATURE_TENTHS = ((350, 3), (360, 1), (380, 0), (390, 1), (None, 2))
ON_OXYGEN_POINTS = 2
NOT_ALERT_POINTS = 3
MEDIUM_FROM, HIGH_FROM, SINGLE_RED = 5, 7, 3


class Band(StrEnum):
    """The aggregate band; low-medium is a total under 5 with 3 points in a single parameter."""

    NONE = "none"
    LOW = "low"
    LOW_MEDIUM = "low-medium"
    MEDIUM = "medium"
    HIGH = "high"


# What chart 4 of the publication says of watching and of who responds; local protocol decides.
RESPONSE: Mapping[Band, str] = {
    Band.NONE: "at least every 12 hours, routine",
    Band.LOW: "at least every 4 to 6 hours; a nurse assesses",
    Band.LOW_MEDIUM: "at least every hour; the medical team is told",
    Band.MEDIUM: "at least every hour; urgent review",
    Band.HIGH: "continuously; an emergency team with critical-care skills",
}
BAND_WORDS: Mapping[Band, str] = {
    Band.NONE: "No points",
    Band.LOW: "Low",
    Band.LOW_MEDIUM: "Low to medium: 3 points in a single parameter",
    Band.MEDIUM: "Medium",
    Band.HIGH: "High",
}


@dataclass(frozen=True, slots=True)
class News2:
    """The total, 0 to 20, the points by parameter, and the band."""

    total: int
    points: Mapping[str, int]
    band: Band


def news2(
    *,
    age_years: Exact,
    pregnant: bool | None,
    respiratory_rate_per_min: int | None,
    spo2_percent: int | None,
    spo2_scale: int | None,
    on_oxygen: bool | None,
    systolic_mmhg: int | None,
    pulse_per_min: int | None,
    consciousness: str | None,
    temperature_c: Exact | None,
) -> News2:
    """Score one complete set of vital signs by the published chart.

    Args:
        age_years: the score is not for use under 16 years.
        pregnant: nor in pregnancy; None where that is not known, which refuses the score.
        respiratory_rate_per_min: breaths a minute.
        spo2_percent: oxygen saturation by pulse oximetry.
        spo2_scale: 1, or 2 where a clinician has set it for a patient with confirmed hypercapnic respiratory failure.
        on_oxygen: any supplemental oxygen.
        systolic_mmhg: systolic blood pressure.
        pulse_per_min: beats a minute.
        consciousness: A alert, C new confusion, V voice, P pain, U unresponsive.
        temperature_c: degrees Celsius; the chart is printed in tenths, a value between two tenths counts as above
            the lower one.

    Raises:
        NotCalculable: not_applicable under 16 years and in pregnancy; missing where any sign is missing;
            out_of_range for a scale or a word that does not exist.
    """
    if age_years < FROM_AGE_YEARS:
        words = "The score is not for use under 16 years."
        raise NotCalculable("/age_years", "not_applicable", words, allowed="16..", got=age_years)
    if pregnant:
        words = "The score is not for use in pregnancy."
        raise NotCalculable("/pregnant", "not_applicable", words, allowed="false", got=True)
    given = {
        "pregnant": pregnant,
        "respiratory_rate_per_min": respiratory_rate_per_min,
        "spo2_percent": spo2_percent,
        "spo2_scale": spo2_scale,
        "on_oxygen": on_oxygen,
        "systolic_mmhg": systolic_mmhg,
        "pulse_per_min": pulse_per_min,
        "consciousness": consciousness,
        "temperature_c": temperature_c,
    }
    for name, value in given.items():
        if value is None:
            words = "The score is only computed from complete vital signs."
            raise NotCalculable(f"/{name}", "missing", words)
    if spo2_scale not in SCALES:
        raise NotCalculable(
            "/spo2_scale", "out_of_range", "The scale is 1 or 2.", allowed="1, 2", got=spo2_scale
        )
    if consciousness not in CONSCIOUSNESS:
        allowed = ", ".join(CONSCIOUSNESS)
        words = f"Consciousness is one of {allowed}."
        raise NotCalculable("/consciousness", "out_of_range", words, allowed=allowed, got=consciousness)
    points = {
        "respiratory_rate": _points(respiratory_rate_per_min or 0, _RESPIRATORY_RATE),
        "spo2": _points(spo2_percent or 0, _spo2_chart(spo2_scale, on_oxygen=bool(on_oxygen))),
        "oxygen": ON_OXYGEN_POINTS if on_oxygen else 0,
        "systolic": _points(systolic_mmhg or 0, _SYSTOLIC),
        "pulse": _points(pulse_per_min or 0, _PULSE),
        "consciousness": 0 if consciousness == "A" else NOT_ALERT_POINTS,
        "temperature": _points(10 * Fraction(temperature_c or 0), _TEMPERATURE_TENTHS),
    }
    total = sum(points.values())
    return News2(total, points, _band(total, points))


def _spo2_chart(scale: int, *, on_oxygen: bool) -> tuple[tuple[int | None, int], ...]:
    if scale == 1:
        return _SPO2_SCALE_1
    return _SPO2_SCALE_2_ON_OXYGEN if on_oxygen else _SPO2_SCALE_2_ON_AIR


def _points(value: Exact, chart: tuple[tuple[int | None, int], ...]) -> int:
    return next(points for edge, points in chart if edge is None or value <= edge)


def _band(total: int, points: Mapping[str, int]) -> Band:
    if total >= HIGH_FROM:
        return Band.HIGH
    if total >= MEDIUM_FROM:
        return Band.MEDIUM
    if SINGLE_RED in points.values():
        return Band.LOW_MEDIUM
    return Band.LOW if total else Band.NONE
