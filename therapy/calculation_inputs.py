"""What each calculation takes: its fields, and how read values become what the function wants. No Django."""

import math
from decimal import Decimal

from clinic.calendar import Spell
from screening import calculation as screenings
from screening import news2
from screening import rules as screening_rules
from screening.policy import rules as policies
from screening.table import Grade
from screening.table import current as current_table
from therapy.figure_inputs import (
    AsGiven,
    Day,
    EitherOf,
    Fields,
    Flag,
    Instant,
    ListOf,
    MapOf,
    Number,
    Spec,
    Text,
    Value,
    WallTime,
    Words,
    Zone,
)
from therapy.outcomes import rules as outcomes
from therapy.reassessment import rules as reassessment
from therapy.scheduling import windows as scheduling
from therapy.scheduling.solving import problem as day_problems
from therapy.scheduling.solving import solve as solving

CARE_SETTINGS = ("intensive", "step_down", "acute", "outpatient", "home")


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


DELIVERED = Fields(
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
)

PROPORTION = Fields(
    fields={
        "successes": Number(whole=True, high=1_000_000_000),
        "trials": Number("Nothing due gives no share.", whole=True, low=1, high=1_000_000_000),
    }
)

NEWS2 = Fields(
    fields={
        "age_years": Number("Not for use under 16 years.", high=130),
        "pregnant": Flag("Not for use in pregnancy; must be known."),
        "respiratory_rate_per_min": Number("Breaths a minute.", whole=True, high=150),
        "spo2_percent": Number("By pulse oximetry.", whole=True, low=50, high=100),
        "spo2_scale": Number(
            "2 only where a clinician has set it for this patient; never from a diagnosis.",
            whole=True,
            low=1,
            high=2,
        ),
        "on_oxygen": Flag("Any supplemental oxygen."),
        "systolic_mmhg": Number("Systolic blood pressure.", whole=True, high=350),
        "pulse_per_min": Number("Beats a minute.", whole=True, high=350),
        "consciousness": Text(
            "Alert, new Confusion, Voice, Pain, Unresponsive.", choices=tuple(news2.CONSCIOUSNESS)
        ),
        "temperature_c": Number("Degrees Celsius.", low=20, high=45),
    }
)

DEVICE_RANGE = Fields(
    fields={
        "exhaled_volume_ml": Number("Measured; time alone gives no flow.", above_low=True, high=10_000),
        "exhalation_time_s": Number("Measured.", above_low=True, high=120),
    }
)

PEAK_COUGH_FLOW = Fields(
    fields={
        "flow_l_per_min": Number("Either this ...", nullable=True, required=False, high=1500),
        "flow_l_per_s": Number("... or this.", nullable=True, required=False, high=25),
        "age_years": Number("Not validated below about 12 years.", high=130),
    }
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


DUE_WINDOWS = Fields(
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
)


def _answers() -> Fields:
    """One key per row of the rule table, and one per number, each with the row's words."""
    table = current_table()
    words = tuple(screening_rules.WORDS)
    known: dict[str, Spec] = {
        row.key: Text(row.words, nullable=True, required=False, choices=words)
        for row in table.conditions.values()
    }
    for number in table.numbers.values():
        known[number.key] = EitherOf(
            f"{number.words} ({number.unit})",
            nullable=True,
            required=False,
            text=Text(choices=tuple(screening_rules.NUMBER_WORDS)),
            other=Number(low=math.floor(number.hard_low), high=math.ceil(number.hard_high)),
        )
    return Fields("Null means not measured; a key left out counts as unknown.", fields=known, build=_exact)


def _exact(read: dict[str, Value]) -> dict[str, Value]:
    return {key: float(value) if isinstance(value, Decimal) else value for key, value in read.items()}


def _ages_exact(read: dict[str, Value]) -> dict[str, Value]:
    ages = read.get("answered_minutes_ago")
    return read if ages is None else read | {"answered_minutes_ago": _exact(ages)}


SCREENING_RESULT = Fields(
    fields={
        "answers": _answers(),
        "policy": ListOf(
            "Local rules, only ever stricter than the table. A cell's names condition, technique and grade; a "
            "threshold's condition, number, value, and technique where it is for one alone; a shelf life's life and "
            "minutes.",
            required=False,
            item=Fields(
                fields={
                    "kind": Text("Cell where it is left out.", required=False, choices=tuple(policies.Kind)),
                    "condition": Text(required=False, choices=tuple(current_table().conditions)),
                    "technique": Text(required=False, choices=tuple(current_table().techniques)),
                    "grade": Text(required=False, choices=tuple(Grade)),
                    "number": Text(required=False, choices=tuple(current_table().numbers)),
                    "value": Number(
                        "From where the number counts, in its unit.",
                        required=False,
                        low=-1000,
                        high=1_000_000,
                    ),
                    "life": Text(required=False, choices=tuple(current_table().shelf_lives)),
                    "minutes": Number(
                        "How long such an answer counts.", required=False, whole=True, low=1, high=1_000_000
                    ),
                    "reason": Words(required=False),
                },
                build=_exact,
            ),
        ),
        "technique": Text(
            "Only this one; all when left out or null.",
            nullable=True,
            required=False,
            choices=tuple(current_table().techniques),
        ),
        "answered_minutes_ago": MapOf(
            "The age of an answer by its key, in minutes; one that is left out was given just now.",
            required=False,
            keys=(*current_table().conditions, *current_table().numbers),
            value=Number(required=False, high=screenings.OLDEST_MINUTES),
        ),
        "at_bedside": Flag(
            "The result for beginning: answers past their shelf life count as unknown. Left out or false: ahead of "
            "time, every answer as it stands.",
            required=False,
        ),
    },
    build=_ages_exact,
)


def _settings(read: dict[str, Value]) -> reassessment.Settings:
    return reassessment.Settings(zone=read["time_zone"], spells=read["intervals"])


REASSESSMENT_DUE = Fields(
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
)


DAY_SCHEDULE = Fields(
    fields={
        "problem": day_problems.PROBLEM,
        "limits": Fields(
            "How long and with what the solver may work.",
            fields={
                "seconds": Number("For all passes together.", above_low=True, high=600),
                "workers": Number("At the same time.", whole=True, low=1, high=16),
                "seed": Number("Of the search.", whole=True, high=1_000_000),
            },
            build=lambda got: solving.Limits(float(got["seconds"]), got["workers"], got["seed"]),
        ),
    },
)

CHECK_SCHEDULE = Fields(
    fields={
        "problem": AsGiven(of=day_problems.PROBLEM),
        "schedule": ListOf(
            "Who treats whom from when; a visit that is not named is left out.",
            item=Fields(
                fields={
                    "visit": Words("A visit.", longest=100),
                    "therapist": Words("A therapist.", longest=100),
                    "start": Number("Its start.", whole=True, high=day_problems.LATEST),
                }
            ),
        ),
    },
)
