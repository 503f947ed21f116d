"""Two bedside measures in exact arithmetic: the range of an oscillating PEP device, and cough flow.

Both support a decision and make none: a range or a band is a reason to look, by local protocol and the
licensed clinician.
"""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from clinic.calculation import NotCalculable

Exact = int | Decimal | Fraction

# Common practice of the trade, no source: the flow that parts the two ranges, and the shortest exhalation
# that says anything. At exactly 15 L/min practice is silent.
RANGE_LIMIT_L_PER_MIN = 15
SHORTEST_EXHALATION_S = 3

# Peak cough flow: more than 160 L/min is needed for an effective cough, below 270 retention and infection
# are more frequent (AARC 2013, Respir Care 58:2187; Respir Med 2022;106740). Not validated below about 12
# years.
COUGH_INEFFECTIVE_BELOW_L_PER_MIN = 160
COUGH_WEAK_BELOW_L_PER_MIN = 270
COUGH_FLOW_FROM_AGE_YEARS = 12


class Range(StrEnum):
    """The range of an oscillating PEP device that fits a measured expiratory flow."""

    LOW_FLOW = "low-flow"
    HIGH_FLOW = "high-flow"
    REPEAT = "repeat"


@dataclass(frozen=True)
class DeviceRange:
    """Mean expiratory flow in L/min, the range that fits it, and what to say at the bedside."""

    mean_flow_l_per_min: Fraction
    range: Range
    hints: tuple[str, ...] = ()


def device_range(*, exhaled_volume_ml: Exact, exhalation_time_s: Exact) -> DeviceRange:
    """Suggest the range of an oscillating PEP device from a measured exhalation.

    Mean flow is exhaled volume (L) / exhalation time (s) x 60. Above 15 L/min: high-flow range (harder);
    below: low-flow range (easier). At exactly 15 L/min, and after an exhalation of less than 3 s, the
    measurement is to be repeated. Source: common practice of the trade, no publication.

    Args:
        exhaled_volume_ml: measured, in millilitres, more than 0.
        exhalation_time_s: measured, in seconds, more than 0.

    Raises:
        NotCalculable: a value is not more than 0.
    """
    for name, value in (("exhaled_volume_ml", exhaled_volume_ml), ("exhalation_time_s", exhalation_time_s)):
        if value <= 0:
            raise NotCalculable(
                f"/{name}", "out_of_range", "Must be measured, more than 0.", allowed="more than 0", got=value
            )
    flow = Fraction(exhaled_volume_ml) * 60 / (1000 * Fraction(exhalation_time_s))
    if exhalation_time_s < SHORTEST_EXHALATION_S:
        return DeviceRange(
            flow,
            Range.REPEAT,
            (
                "The exhalation lasted less than 3 s: the device is too easy to blow.",
                "Raise the resistance so that the patient exhales at a lower flow, then measure again.",
            ),
        )
    if flow == RANGE_LIMIT_L_PER_MIN:
        return DeviceRange(
            flow, Range.REPEAT, ("Exactly 15 L/min: practice names no range for this value. Measure again.",)
        )
    if flow > RANGE_LIMIT_L_PER_MIN:
        return DeviceRange(flow, Range.HIGH_FLOW, _first_use())
    return DeviceRange(flow, Range.LOW_FLOW, _first_use())


def _first_use() -> tuple[str, ...]:
    return ("First use: start at the lowest resistance, which is the easiest to blow.",)


@dataclass(frozen=True)
class CoughFlow:
    """Peak cough flow in L/min against the two published limits, each meaning strictly below."""

    flow_l_per_min: Fraction
    below_160: bool
    below_270: bool


def peak_cough_flow(
    *, age_years: Exact, flow_l_per_min: Exact | None = None, flow_l_per_s: Exact | None = None
) -> CoughFlow:
    """Read a peak cough flow against 160 and 270 L/min.

    Args:
        age_years: the limits are not validated below about 12 years.
        flow_l_per_min: the measured flow, or
        flow_l_per_s: the same in litres a second (x 60). Exactly one of the two.

    Raises:
        NotCalculable: under 12 years, no flow, a flow below 0, or two flows that disagree.
    """
    if age_years < COUGH_FLOW_FROM_AGE_YEARS:
        raise NotCalculable(
            "/age_years",
            "not_applicable",
            "The limits of peak cough flow are not validated below 12 years.",
            allowed="12..",
            got=age_years,
        )
    if flow_l_per_min is None and flow_l_per_s is None:
        raise NotCalculable("/flow_l_per_min", "missing", "A flow is needed, in L/min or in L/s.")
    flow = Fraction(flow_l_per_min) if flow_l_per_min is not None else 60 * Fraction(flow_l_per_s or 0)
    if flow_l_per_s is not None and flow != 60 * Fraction(flow_l_per_s):
        raise NotCalculable(
            "/flow_l_per_s",
            "inconsistent",
            "The two flows disagree: 1 L/s is 60 L/min.",
            allowed="flow_l_per_min / 60",
            got=flow_l_per_s,
        )
    if flow < 0:
        raise NotCalculable(
            "/flow_l_per_min", "out_of_range", "A flow is 0 or more.", allowed="0..", got=flow
        )
    return CoughFlow(flow, flow < COUGH_INEFFECTIVE_BELOW_L_PER_MIN, flow < COUGH_WEAK_BELOW_L_PER_MIN)
