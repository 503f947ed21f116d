"""NEWS2 against the published chart, typed in here a second time: every band edge of every parameter, both scales.

Source: Royal College of Physicians, National Early Warning Score (NEWS) 2, London 2017, chart 1 (the scoring system)
and chart 2 (thresholds and triggers); read in two copies that agree.
"""

import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from screening.news2 import CONSCIOUSNESS, PARAMETERS, Band, news2

# Chart 1, row by row, as it is printed: under 3, 2, 1, 0, 1, 2, 3 points.
HEADING = (3, 2, 1, 0, 1, 2, 3)
CHART = {
    "respiratory_rate": ("<=8", "", "9-11", "12-20", "", "21-24", ">=25"),
    "spo2 scale 1": ("<=91", "92-93", "94-95", ">=96", "", "", ""),
    "spo2 scale 2": (
        "<=83", "84-85", "86-87", "88-92 or >=93 on air", "93-94 on oxygen", "95-96 on oxygen", ">=97 on oxygen",
    ),
    "systolic": ("<=90", "91-100", "101-110", "111-219", "", "", ">=220"),
    "pulse": ("<=40", "", "41-50", "51-90", "91-110", "111-130", ">=131"),
    "temperature": ("<=35.0", "", "35.1-36.0", "36.1-38.0", "38.1-39.0", ">=39.1", ""),
}  # fmt: skip
STEP = {"temperature": Decimal("0.1")}
# Far ends, inside which the chart has a printed answer for every value.
ENDS = {
    "respiratory_rate": (0, 150), "spo2 scale 1": (50, 100), "spo2 scale 2": (50, 100), "systolic": (0, 350),
    "pulse": (0, 350), "temperature": (Decimal(20), Decimal(45)),
}  # fmt: skip
WELL = {
    "age_years": 40,
    "pregnant": False,
    "respiratory_rate_per_min": 16,
    "spo2_percent": 97,
    "spo2_scale": 1,
    "on_oxygen": False,
    "systolic_mmhg": 120,
    "pulse_per_min": 70,
    "consciousness": "A",
    "temperature_c": Decimal("37.0"),
}
FIELD = {
    "respiratory_rate": "respiratory_rate_per_min", "spo2 scale 1": "spo2_percent", "spo2 scale 2": "spo2_percent",
    "systolic": "systolic_mmhg", "pulse": "pulse_per_min", "temperature": "temperature_c",
}  # fmt: skip
SIGNS = [name for name in WELL if name not in ("age_years", "pregnant")]


def score(**signs):
    return news2(**(WELL | signs))


def ranges(cell):
    """The printed ranges of a cell: (low, high, oxygen), None where it is open or the oxygen does not matter."""
    for part in filter(None, cell.split(" or ")):
        value, _, gas = part.partition(" on ")
        oxygen = {"air": False, "oxygen": True}.get(gas)
        low, _, high = value.partition("-")
        if value.startswith("<="):
            yield None, Decimal(value[2:]), oxygen
        elif value.startswith(">="):
            yield Decimal(value[2:]), None, oxygen
        else:
            yield Decimal(low), Decimal(high), oxygen


def printed():
    """Every value at and beside each printed edge, and the points that the chart gives it."""
    for row, cells in CHART.items():
        step, (least, most) = STEP.get(row, Decimal(1)), ENDS[row]
        for points, cell in zip(HEADING, cells, strict=True):
            for low, high, oxygen in ranges(cell):
                first = least if low is None else low
                last = most if high is None else high
                inside = {first, last, min(last, first + step), max(first, last - step)}
                for value in sorted(inside):
                    for gas in (False, True) if oxygen is None else (oxygen,):
                        yield row, value, gas, points


CASES = list(printed())


def given_value(row, value):
    return value if row == "temperature" else int(value)


def test_each_edge_of_the_chart_gives_the_points_printed_above_it():
    wrong = []
    for row, value, on_oxygen, points in CASES:
        scale = 2 if row == "spo2 scale 2" else 1
        found = score(**{FIELD[row]: given_value(row, value)}, on_oxygen=on_oxygen, spo2_scale=scale)
        got = found.points[row.removesuffix(" scale 1").removesuffix(" scale 2")]
        if got != points:
            wrong.append((row, value, on_oxygen, points, got))
    assert wrong == []


def test_the_printed_rows_leave_no_value_out_and_say_nothing_twice():
    for row, cells in CHART.items():
        step, (least, most) = STEP.get(row, Decimal(1)), ENDS[row]
        for gas in (False, True):
            value = Decimal(least)
            while value <= most:
                answers = [
                    points
                    for points, cell in zip(HEADING, cells, strict=True)
                    for low, high, oxygen in ranges(cell)
                    if oxygen in (None, gas)
                    and (low is None or value >= low)
                    and (high is None or value <= high)
                ]
                assert len(answers) == 1, (row, value, gas, answers)
                scale = 2 if row == "spo2 scale 2" else 1
                found = score(**{FIELD[row]: given_value(row, value)}, on_oxygen=gas, spo2_scale=scale)
                assert found.points[row.split(" scale")[0]] == answers[0], (row, value, gas)
                value += step


def test_the_edges_tried_are_more_than_a_hundred_and_touch_every_printed_cell():
    cells = {(row, cell) for row, cells in CHART.items() for cell in cells if cell}
    assert len(CASES) > 100
    assert len(cells) == 5 + 4 + 7 + 5 + 6 + 5
    assert sum(len(re.findall(r"\d", cell)) > 0 for _, cell in cells) == len(cells)


@pytest.mark.parametrize(("gas", "points"), [(False, 0), (True, 2)])
def test_any_oxygen_adds_two_points(gas, points):
    # Scale 1 at 97 %: the saturation itself scores nothing on either gas.
    assert score(on_oxygen=gas).points["oxygen"] == points
    assert score(on_oxygen=gas).total == points


@pytest.mark.parametrize(("seen", "points"), [("A", 0), ("C", 3), ("V", 3), ("P", 3), ("U", 3)])
def test_whoever_is_not_alert_scores_three(seen, points):
    assert score(consciousness=seen).points["consciousness"] == points


@pytest.mark.parametrize(
    ("signs", "total"),
    # Worked by hand from the chart; computed examples, not printed ones.
    [
        ({"respiratory_rate_per_min": 18, "spo2_percent": 96, "pulse_per_min": 80}, 0),
        (
            {
                "respiratory_rate_per_min": 22, "spo2_percent": 93, "on_oxygen": True, "systolic_mmhg": 105,
                "pulse_per_min": 95, "temperature_c": Decimal("38.2"),
            },
            9,
        ),
        (
            {
                "respiratory_rate_per_min": 22, "spo2_percent": 93, "on_oxygen": True, "systolic_mmhg": 105,
                "pulse_per_min": 95, "temperature_c": Decimal("38.2"), "spo2_scale": 2,
            },
            8,
        ),
        ({"spo2_percent": 97, "spo2_scale": 2}, 0),
        ({"spo2_percent": 97, "spo2_scale": 2, "on_oxygen": True}, 5),
    ],
)  # fmt: skip
def test_the_worked_examples_give_their_totals(signs, total):
    assert score(**signs).total == total


@pytest.mark.parametrize(
    ("signs", "total", "band"),
    # Chart 2: 0 to 4 low, a single 3 low-medium, 5 to 6 medium, 7 or more high; a total of 0 is called none here.
    [
        ({}, 0, Band.NONE),
        ({"pulse_per_min": 91}, 1, Band.LOW),
        ({"on_oxygen": True, "respiratory_rate_per_min": 21}, 4, Band.LOW),
        ({"consciousness": "C"}, 3, Band.LOW_MEDIUM),
        ({"consciousness": "C", "pulse_per_min": 91}, 4, Band.LOW_MEDIUM),
        ({"consciousness": "C", "on_oxygen": True}, 5, Band.MEDIUM),
        ({"on_oxygen": True, "respiratory_rate_per_min": 21, "pulse_per_min": 91}, 5, Band.MEDIUM),
        ({"on_oxygen": True, "respiratory_rate_per_min": 21, "pulse_per_min": 111}, 6, Band.MEDIUM),
        ({"consciousness": "U", "systolic_mmhg": 90}, 6, Band.MEDIUM),
        ({"consciousness": "U", "systolic_mmhg": 90, "pulse_per_min": 91}, 7, Band.HIGH),
    ],
)
def test_each_aggregate_band_begins_and_ends_where_the_chart_says(signs, total, band):
    found = score(**signs)
    assert (found.total, found.band) == (total, band)


def test_the_highest_total_is_twenty_as_published():
    # RCP 2017: the range is 0 to 20.
    worst = {
        "respiratory_rate_per_min": 25, "spo2_percent": 97, "spo2_scale": 2, "on_oxygen": True, "systolic_mmhg": 90,
        "pulse_per_min": 131, "consciousness": "U", "temperature_c": 35,
    }  # fmt: skip
    assert score(**worst).total == 20
    assert score(**worst).band is Band.HIGH


@pytest.mark.parametrize("age", [0, 11, 15, Fraction(159, 10)])
def test_under_sixteen_the_score_is_refused(age):
    # RCP 2017: not for children under 16 or in pregnancy.
    with pytest.raises(NotCalculable) as refused:
        score(age_years=age)
    assert (refused.value.code, refused.value.field) == ("not_applicable", "/age_years")


def test_sixteen_is_old_enough():
    assert score(age_years=16).total == 0


def test_in_pregnancy_the_score_is_refused():
    with pytest.raises(NotCalculable) as refused:
        score(pregnant=True)
    assert (refused.value.code, refused.value.field) == ("not_applicable", "/pregnant")


@pytest.mark.parametrize("sign", [*SIGNS, "pregnant"])
def test_with_a_sign_missing_there_is_no_score_at_all(sign):
    with pytest.raises(NotCalculable) as refused:
        score(**{sign: None})
    assert (refused.value.code, refused.value.field) == ("missing", f"/{sign}")


@pytest.mark.parametrize(
    ("sign", "value"), [("spo2_scale", 3), ("spo2_scale", 0), ("consciousness", "X"), ("consciousness", "")]
)
def test_a_scale_or_a_word_that_does_not_exist_is_refused(sign, value):
    with pytest.raises(NotCalculable) as refused:
        score(**{sign: value})
    assert (refused.value.code, refused.value.field) == ("out_of_range", f"/{sign}")


SETS = st.fixed_dictionaries(
    {
        "respiratory_rate_per_min": st.integers(0, 150),
        "spo2_percent": st.integers(50, 100),
        "spo2_scale": st.sampled_from([1, 2]),
        "on_oxygen": st.booleans(),
        "systolic_mmhg": st.integers(0, 350),
        "pulse_per_min": st.integers(0, 350),
        "consciousness": st.sampled_from(sorted(CONSCIOUSNESS)),
        "temperature_c": st.decimals(20, 45, places=1),
    }
)


@given(SETS)
def test_whatever_is_measured_the_total_is_the_sum_of_seven_parameters_and_the_band_follows_from_it(signs):
    found = score(**signs)
    assert list(found.points) == list(PARAMETERS)
    assert found.total == sum(found.points.values())
    assert 0 <= found.total <= 20
    expected = (
        Band.HIGH if found.total >= 7
        else Band.MEDIUM if found.total >= 5
        else Band.LOW_MEDIUM if 3 in found.points.values()
        else Band.LOW if found.total else Band.NONE
    )  # fmt: skip
    assert found.band is expected


@given(SETS)
def test_scale_two_changes_nothing_but_the_points_of_the_saturation(signs):
    one, two = (score(**(signs | {"spo2_scale": scale})) for scale in (1, 2))
    assert {name: points for name, points in one.points.items() if name != "spo2"} == {
        name: points for name, points in two.points.items() if name != "spo2"
    }
