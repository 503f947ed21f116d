"""The registry: every calculation by its name, with the very function that services call. No Django."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from typing import Any

from clinic.calendar import Spell
from therapy.figure_inputs import (
    Day,
    Fields,
    Instant,
    ListOf,
    MapOf,
    Number,
    Text,
    Value,
    WallTime,
    Zone,
)
from therapy.outcomes import rules as outcomes
from therapy.reassessment import rules as reassessment
from therapy.scheduling import windows as scheduling
from therapy.sessions import measures

CARE_SETTINGS = ("intensive", "step_down", "acute", "outpatient", "home")


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


def _window(read: dict[str, Value]) -> outcomes.WindowOutcome:
    group = read["reason_group"]
    return outcomes.WindowOutcome(
        start=read["start"],
        end=read["end"],
        state=outcomes.WindowState(read["state"]),
        reason_group=None if group is None else outcomes.ReasonGroup(group),
        sets_ordered=read["sets_ordered"],
        sets_done=read["sets_done"],
    )


_DELIVERED = Calculation(
    name="delivered",
    function=outcomes.delivered,
    inputs=Fields(
        fields={
            "windows": ListOf(
                "The due windows of any patients and orders.",
                item=Fields(
                    fields={
                        "start": Instant("Earliest start."),
                        "end": Instant("Latest start; decides whether the window lies in the range."),
                        "state": Text("What became of it.", choices=tuple(outcomes.WindowState)),
                        "reason_group": Text(
                            "Whose reason it was; needed where nothing was delivered.",
                            nullable=True,
                            choices=tuple(outcomes.ReasonGroup),
                        ),
                        "sets_ordered": Number(
                            "Ordered dose: sets, or minutes, positions or cycles where there are none.",
                            nullable=True,
                            whole=True,
                            low=1,
                            high=10_000,
                        ),
                        "sets_done": Number(
                            "What was done of it; needed where the treatment was given in part.",
                            nullable=True,
                            whole=True,
                            high=10_000,
                        ),
                    },
                    build=_window,
                ),
            ),
            "from": Instant("Windows that end from here ..."),
            "to": Instant("... to before here."),
        },
        build=lambda read: {"windows": read["windows"], "start": read["from"], "end": read["to"]},
    ),
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
    inputs=Fields(
        fields={
            "successes": Number(whole=True, high=1_000_000_000),
            "trials": Number("Nothing due gives no share.", whole=True, low=1, high=1_000_000_000),
        }
    ),
    example={"successes": 579, "trials": 706},
    sources=("Wilson 1927, J Am Stat Assoc 22:209, 95 %, without continuity correction.",),
)

_DEVICE_RANGE = Calculation(
    name="device-range",
    function=measures.device_range,
    inputs=Fields(
        fields={
            "exhaled_volume_ml": Number("Measured; time alone gives no flow.", above_low=True, high=10_000),
            "exhalation_time_s": Number("Measured.", above_low=True, high=120),
        }
    ),
    example={"exhaled_volume_ml": 750, "exhalation_time_s": 4},
    sources=("Common practice of the trade, no published source. Local protocol and the clinician decide.",),
)

_PEAK_COUGH_FLOW = Calculation(
    name="peak-cough-flow",
    function=measures.peak_cough_flow,
    inputs=Fields(
        fields={
            "flow_l_per_min": Number("Either this ...", nullable=True, required=False, high=1500),
            "flow_l_per_s": Number("... or this.", nullable=True, required=False, high=25),
            "age_years": Number("Not validated below about 12 years.", high=130),
        }
    ),
    example={"flow_l_per_s": 4.27, "age_years": 34},
    sources=(
        "AARC 2013, Respir Care 58:2187; Cough peak flow in clinical practice, Respir Med 2022;106740.",
    ),
)


def _order(read: dict[str, Value]) -> scheduling.OrderTimes:
    return scheduling.OrderTimes(
        times_a_day=read["times_a_day"],
        starts_at=read["starts_at"],
        ends_at=read.get("ends_at"),
        minutes_after_meal=read.get("minutes_after_meal") or 0,
    )


def _day(read: dict[str, Value]) -> scheduling.Day:
    return scheduling.Day(
        wake=read["wake"],
        sleep=read["sleep"],
        meals=tuple(read.get("meals") or ()),
        fixed_times=tuple(read.get("fixed_times") or ()),
    )


_DUE_WINDOWS = Calculation(
    name="due-windows",
    function=scheduling.due_windows,
    inputs=Fields(
        fields={
            "order": Fields(
                fields={
                    "times_a_day": Number(whole=True, low=1, high=scheduling.MOST_TIMES_A_DAY),
                    "starts_at": Instant("In force from here."),
                    "ends_at": Instant("Until here, null while not known.", nullable=True, required=False),
                    "minutes_after_meal": Number(
                        "Wait after a meal; null or 0 where it is only a wish.",
                        nullable=True,
                        required=False,
                        whole=True,
                        high=1440,
                    ),
                },
                build=_order,
            ),
            "day": Fields(
                "The unit's day in wall times.",
                fields={
                    "wake": WallTime("Treatments may begin."),
                    "sleep": WallTime("They no longer may."),
                    "meals": ListOf("When each meal is over.", required=False, item=WallTime(), longest=24),
                    "fixed_times": ListOf(
                        "Clock times of the ward.", required=False, item=WallTime(), longest=24
                    ),
                },
                build=_day,
            ),
            "time_zone": Zone(),
            "date_from": Day("First service date."),
            "date_to": Day("Last service date, included."),
            "holds": ListOf(
                "Spells in which the order rests.",
                item=Fields(
                    fields={
                        "starts_at": Instant(),
                        "ends_at": Instant("Null while it still rests.", nullable=True),
                    },
                    build=lambda read: scheduling.Hold(**read),
                ),
            ),
        },
        build=lambda read: read | {"time_zone": read["time_zone"].key},
    ),
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


def _settings(read: dict[str, Value]) -> reassessment.Settings:
    return reassessment.Settings(zone=read["time_zone"], spells=read["intervals"])


_REASSESSMENT_DUE = Calculation(
    name="reassessment-due",
    function=reassessment.reassessment_due,
    inputs=Fields(
        fields={
            "care_setting": Text("Where the patient is now.", choices=CARE_SETTINGS),
            "settings": Fields(
                fields={
                    "time_zone": Zone("In which days and months are counted."),
                    "intervals": MapOf(
                        keys=CARE_SETTINGS,
                        value=Fields(
                            required=False,
                            fields={
                                "count": Number(whole=True, low=1, high=1000),
                                "unit": Text(choices=("hours", "days", "weeks", "months")),
                            },
                            build=lambda read: Spell(**read),
                        ),
                    ),
                },
                build=_settings,
            ),
            "events": ListOf(
                "Order starts, reassessments and changes of care setting, in any order.",
                item=Fields(
                    fields={
                        "kind": Text(choices=tuple(reassessment.Act)),
                        "at": Instant(),
                        "care_setting": Text(
                            "Where the patient was; for a change, came to.",
                            nullable=True,
                            required=False,
                            choices=CARE_SETTINGS,
                        ),
                    },
                    build=lambda read: reassessment.Event(
                        reassessment.Act(read["kind"]), read["at"], read.get("care_setting")
                    ),
                ),
            ),
            "now": Instant("The instant of the question."),
        }
    ),
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

REGISTRY: dict[str, Calculation] = {
    each.name: each
    for each in (_DEVICE_RANGE, _PEAK_COUGH_FLOW, _DELIVERED, _PROPORTION, _DUE_WINDOWS, _REASSESSMENT_DUE)
}
