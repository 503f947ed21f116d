"""The registry: every calculation by its name, with the very function that services call. No Django."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from typing import Any

from screening import calculation as screening
from screening import measures, news2
from therapy import calculation_inputs as inputs
from therapy.figure_inputs import Fields, Value
from therapy.outcomes import rules as outcomes
from therapy.reassessment import rules as reassessment
from therapy.scheduling import windows as scheduling
from therapy.scheduling.solving import checking, example, solve


@dataclass(frozen=True)
class Calculation:
    """One figure that can be checked from outside.

    ``inputs.build`` turns a read case into the keyword arguments of ``function``; ``shape`` turns its
    result into the named values of the output.
    """

    name: str
    function: Callable[..., Any]
    inputs: Fields
    example: Mapping[str, Value]
    sources: tuple[str, ...]
    version: str = "1"
    shape: Callable[[Any], Value] = lambda result: result

    def result(self, arguments: Mapping[str, Value]) -> Value:
        """The figure as plain JSON values, unrounded."""
        return plain(self.shape(self.function(**arguments)))


def plain(value: Value) -> Value:
    """A result as JSON values: exact numbers become floats only here, instants RFC 3339 in UTC."""
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    return _plain_scalar(value)


def _plain_scalar(value: Value) -> Value:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Fraction | Decimal):
        return float(value)
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return value.isoformat() if isinstance(value, date) else value


_DELIVERED = Calculation(
    name="delivered",
    function=outcomes.delivered,
    inputs=inputs.DELIVERED,
    example={
        "windows": [
            {
                "start": "2026-11-16T08:00:00+00:00",
                "end": "2026-11-16T10:00:00+00:00",
                "state": "full",
                "reason_group": None,
                "sets_ordered": 4,
                "sets_done": 4,
            },
            {
                "start": "2026-11-16T16:00:00+00:00",
                "end": "2026-11-16T18:00:00+00:00",
                "state": "part",
                "reason_group": None,
                "sets_ordered": 4,
                "sets_done": 3,
            },
            {
                "start": "2026-11-17T08:00:00+00:00",
                "end": "2026-11-17T10:00:00+00:00",
                "state": "not_delivered",
                "reason_group": "service",
                "sets_ordered": 4,
                "sets_done": None,
            },
        ],
        "from": "2026-11-16T00:00:00+00:00",
        "to": "2026-11-23T00:00:00+00:00",
    },
    sources=(
        "Counting rules of this service.",
        "Use as a share of what was prescribed: Respir Care 2014 review.",
        "Interval: Wilson 1927, J Am Stat Assoc 22:209; not adjusted for repeated measures.",
    ),
)

_PROPORTION = Calculation(
    name="proportion",
    function=outcomes.proportion,
    inputs=inputs.PROPORTION,
    example={"successes": 579, "trials": 706},
    sources=("Wilson 1927, J Am Stat Assoc 22:209, 95 %, without continuity correction.",),
)

_NEWS2 = Calculation(
    name="news2",
    function=news2.news2,
    inputs=inputs.NEWS2,
    example={
        "age_years": 68,
        "pregnant": False,
        "respiratory_rate_per_min": 22,
        "spo2_percent": 93,
        "spo2_scale": 1,
        "on_oxygen": True,
        "systolic_mmhg": 105,
        "pulse_per_min": 95,
        "consciousness": "A",
        "temperature_c": 38.2,
    },
    sources=(news2.SOURCE, "It supports a decision: the response is by local protocol."),
    version=news2.VERSION,
)

_DEVICE_RANGE = Calculation(
    name="device-range",
    function=measures.device_range,
    inputs=inputs.DEVICE_RANGE,
    example={"exhaled_volume_ml": 750, "exhalation_time_s": 4},
    sources=("Common practice of the trade, no published source. Local protocol and the clinician decide.",),
)

_PEAK_COUGH_FLOW = Calculation(
    name="peak-cough-flow",
    function=measures.peak_cough_flow,
    inputs=inputs.PEAK_COUGH_FLOW,
    example={"flow_l_per_s": 4.27, "age_years": 34},
    sources=(
        "AARC 2013, Respir Care 58:2187; Cough peak flow in clinical practice, Respir Med 2022;106740.",
    ),
)


_DUE_WINDOWS = Calculation(
    name="due-windows",
    function=scheduling.due_windows,
    inputs=inputs.DUE_WINDOWS,
    example={
        "order": {
            "times_a_day": 3,
            "starts_at": "2026-11-16T06:00:00+00:00",
            "ends_at": None,
            "minutes_after_meal": 0,
        },
        "day": {"wake": "07:00", "sleep": "22:00", "meals": [], "fixed_times": []},
        "time_zone": "Europe/London",
        "date_from": "2026-11-16",
        "date_to": "2026-11-17",
        "holds": [],
    },
    sources=(
        "Counting rules of this service.",
        "Wall times by the IANA time zone database.",
    ),
    shape=lambda windows: {"windows": windows},
)


_SCREENING_RESULT = Calculation(
    name="screening-result",
    function=screening.screening_result,
    inputs=inputs.SCREENING_RESULT,
    example=screening.example(),
    sources=screening.sources(),
    version=screening.VERSION,
)


_REASSESSMENT_DUE = Calculation(
    name="reassessment-due",
    function=reassessment.reassessment_due,
    inputs=inputs.REASSESSMENT_DUE,
    example={
        "care_setting": "intensive",
        "settings": {
            "time_zone": "Europe/London",
            "intervals": {
                "intensive": {"count": 48, "unit": "hours"},
                "step_down": {"count": 48, "unit": "hours"},
                "acute": {"count": 72, "unit": "hours"},
                "outpatient": {"count": 3, "unit": "months"},
                "home": {"count": 3, "unit": "months"},
            },
        },
        "events": [
            {"kind": "order_started", "at": "2026-11-16T09:00:00+00:00", "care_setting": "acute"},
            {
                "kind": "care_setting_changed",
                "at": "2026-11-17T12:00:00+00:00",
                "care_setting": "intensive",
            },
        ],
        "now": "2026-11-18T08:00:00+00:00",
    },
    sources=(
        "AARC 1991, Respir Care 36:1418: 48 h, 72 h, 3 months (from memory).",
        "Step-down and outpatient: local settings.",
    ),
)

_DAY_SCHEDULE = Calculation(
    name="day-schedule",
    function=solve.schedule_day,
    inputs=inputs.DAY_SCHEDULE,
    example={"problem": example.DAY, "limits": {"seconds": 10, "workers": 2, "seed": 0}},
    sources=(
        "Constraint model of this service, solved with OR-Tools CP-SAT; every pass says whether it is proven.",
        "Checked against Solomon 1987, Oper Res 35:254. It supports the lead, who decides.",
    ),
)


_CHECK_SCHEDULE = Calculation(
    name="check-schedule",
    function=checking.check_schedule,
    inputs=inputs.CHECK_SCHEDULE,
    example={
        "problem": example.DAY,
        "schedule": [
            {"visit": "v1", "therapist": "T1", "start": 0},
            {"visit": "v2", "therapist": "T1", "start": 40},
        ],
    },
    sources=("The rules of the problem format, read from the JSON alone.",),
)

REGISTRY: dict[str, Calculation] = {
    each.name: each
    for each in (
        _SCREENING_RESULT,
        _NEWS2,
        _DEVICE_RANGE,
        _PEAK_COUGH_FLOW,
        _DELIVERED,
        _PROPORTION,
        _DUE_WINDOWS,
        _REASSESSMENT_DUE,
        _DAY_SCHEDULE,
        _CHECK_SCHEDULE,
    )
}
