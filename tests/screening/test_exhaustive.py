"""Every condition alone and every two together, for every technique, against an oracle that shares no code.

The oracle knows three things: the grades, read from the file with the csv module alone; the bands of the numbers,
typed here a second time from the published texts; and the words of design.md, invariant 1: "Order of results: none
found < clinician must decide < incomplete < do not start. Per cell: answered no, or grade N: none found. Yes: R
clinician must decide, A do not start. Unknown, not measured, or older than its shelf life: incomplete where the
grade is R or A. The result is the worst over the cells and lists them all."
"""

import csv
import datetime as dt
import itertools

import pytest

from screening import rules
from screening import table as tables
from screening.rules import Answer

TABLE = tables.current()
NOW = dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC)
LONG_AGO = NOW - dt.timedelta(days=400)
ORDER = ["none_found", "clinician_must_decide", "incomplete", "do_not_start"]
OUT_OF_DATE, LEFT_OUT = "out of date", "left out"

# What one number says of every row it answers, typed from the published texts; rows not named are answered no.
# The days over 100 mL go with the amount, as they are asked only above it.
BANDS = [
    # AARC 1991 and 1993: intracranial pressure above 20 mmHg.
    ({"icp_mmhg": 20}, []),
    ({"icp_mmhg": 21}, ["icp_above_20"]),
    # Local convention, with the cuts of exercise tables: caution below 50, avoid below 20.
    ({"platelets_10e9_per_l": 50}, []),
    ({"platelets_10e9_per_l": 20}, ["platelets_20_to_49"]),
    ({"platelets_10e9_per_l": 19}, ["platelets_under_20"]),
    # CFF 2010: scant under 5 mL, 5 to 240 mL, massive above 240 mL in 24 h, or above 100 mL a day on 2 days.
    ({"haemoptysis_24h_ml": 0}, []),
    ({"haemoptysis_24h_ml": 4}, ["haemoptysis_scant"]),
    ({"haemoptysis_24h_ml": 5}, ["haemoptysis_5_to_240"]),
    ({"haemoptysis_24h_ml": 240, "haemoptysis_days_over_100_ml": 1}, ["haemoptysis_5_to_240"]),
    (
        {"haemoptysis_24h_ml": 101, "haemoptysis_days_over_100_ml": 2},
        ["haemoptysis_5_to_240", "haemoptysis_massive"],
    ),
    ({"haemoptysis_24h_ml": 241, "haemoptysis_days_over_100_ml": 0}, ["haemoptysis_massive"]),
    # From memory: the first trimester ends with week 12, the stricter of two conventions.
    ({"gestation_weeks": 12}, ["pregnancy_first_trimester"]),
    ({"gestation_weeks": 13}, ["pregnancy_second_or_third_trimester"]),
    # A hospital's HFCC policy, 2017: not below 2 years.
    ({"age_years": 2}, []),
    ({"age_years": 1.9}, ["age_under_2"]),
    # A critical-care text: vital capacity under 10 mL/kg.
    ({"vital_capacity_ml_per_kg": 10}, []),
    ({"vital_capacity_ml_per_kg": 9}, ["cannot_breathe_deeply"]),
    # Teaching texts: 1.5 to 2 h after a meal.
    ({"minutes_since_meal": 90}, []),
    ({"minutes_since_meal": 29}, ["meal_within_waiting_time"]),
]


def grades():
    """The grades by (row, technique), read from the file without the loader."""
    with (tables.DIRECTORY / "cells.csv").open(encoding="utf-8", newline="") as lines:
        return {(row["condition"], row["technique"]): row["grade"] for row in csv.DictReader(lines)}


GRADES = grades()
ROWS = list(dict.fromkeys(row for row, _ in GRADES))
TECHNIQUES = list(dict.fromkeys(technique for _, technique in GRADES))
ALL_NO = {row: Answer("no", NOW) for row in ROWS}
SHELVED = {row for row in ROWS if TABLE.conditions[row].life != "standing"}


def of_cell(grade, state):
    """Invariant 1, one cell."""
    if state in ("no", "no_reason_to_measure") or grade == "N":
        return "none_found"
    if state == "yes":
        return {"R": "clinician_must_decide", "A": "do_not_start"}[grade]
    return "incomplete"


def asked(**states):
    """The answers to be screened: every row no just now, but those named."""
    changed = {
        row: Answer("no", LONG_AGO) if state == OUT_OF_DATE else Answer(state, NOW)
        for row, state in states.items()
        if state != LEFT_OUT
    }
    return {row: answer for row, answer in ALL_NO.items() if states.get(row) != LEFT_OUT} | changed


def agrees(answers, states):
    """Every technique has the result of the oracle, and lists exactly the cells that count against it."""
    found = rules.screen(answers, TABLE, at=NOW)
    for technique in TECHNIQUES:
        cells = {row: of_cell(GRADES[row, technique], state) for row, state in states.items()}
        counts = {row for row, cell in cells.items() if cell != "none_found"}
        wanted = max(cells.values(), key=ORDER.index, default="none_found")
        one = found[technique]
        assert one.result == wanted, (technique, states)
        assert {part.cell.condition for part in one.contributions} == counts, (technique, states)


def test_the_table_has_the_size_of_the_published_matrix():
    """79 conditions and 11 techniques, without a hole: what runs below runs over all of it."""
    assert len(ROWS) * len(TECHNIQUES) == len(GRADES) == 79 * 11


def test_each_condition_alone_in_every_state_a_row_can_have():
    for row in ROWS:
        for state in (*rules.WORDS, LEFT_OUT, *([OUT_OF_DATE] if row in SHELVED else [])):
            agrees(asked(**{row: state}), {row: state})


def test_each_band_of_each_number_answers_exactly_its_rows():
    for values, said_yes in BANDS:
        agrees(by_number(values, {}), dict.fromkeys(said_yes, "yes"))


def test_over_42_days_since_any_operation_no_row_of_one_is_open_and_within_them_each_is_asked_for_itself():
    """Local, longer than the lists' 4 weeks: the days rule out only; within them a row's own answer counts."""
    by_days = {row for row in ROWS if "days_since_surgery" in TABLE.conditions[row].numbers}
    assert {"lung_resection_recent", "eye_surgery_recent", "spinal_surgery_recent"} < by_days
    agrees(by_number({"days_since_surgery": 43}, {}), {})
    for days in (0, 28, 42):
        left = by_number({"days_since_surgery": days}, {})
        agrees(left, dict.fromkeys(by_days, LEFT_OUT))
        for row in by_days:
            others = dict.fromkeys(by_days - {row}, "no")
            for state in ("yes", "no", "unknown"):
                words = {key: Answer(said, NOW) for key, said in (others | {row: state}).items()}
                agrees(left | words, {row: state})


def test_a_peak_cough_flow_of_any_size_changes_no_result():
    """It stands beside whether cough assistance helps (270 and 160 L/min, from memory), and bars nothing."""
    for flow in (10, 159, 160, 269, 270, 900):
        assert by_number({"peak_cough_flow_l_per_min": flow}, {}).keys() > ALL_NO.keys()
        for state in ("yes", "unknown"):
            for row in ROWS:
                agrees(by_number({"peak_cough_flow_l_per_min": flow}, {row: state}), {row: state})


@pytest.mark.slow
def test_each_two_conditions_together():
    """3,081 pairs, each in every combination of yes, unknown, and out of date."""
    pairs = 0
    for first, second in itertools.combinations(ROWS, 2):
        for one, other in itertools.product(("yes", "unknown", OUT_OF_DATE), repeat=2):
            if (one == OUT_OF_DATE and first not in SHELVED) or (
                other == OUT_OF_DATE and second not in SHELVED
            ):
                continue
            states = {first: one, second: other}
            agrees(asked(**states), states)
        pairs += 1
    assert pairs == 79 * 78 // 2


@pytest.mark.slow
def test_each_band_of_each_number_together_with_each_other_condition():
    for values, said_yes in BANDS:
        answered = {row for key in values for row in TABLE.numbers[key].conditions}
        for row, state in itertools.product(ROWS, ("yes", "unknown")):
            if row not in answered:
                agrees(by_number(values, {row: state}), dict.fromkeys(said_yes, "yes") | {row: state})


def by_number(values, states):
    """The number instead of the words of the rows that it answers; other rows as in `asked`."""
    answers = asked(**states)
    for key in values:
        for row in TABLE.numbers[key].conditions:
            answers.pop(row, None)
    return answers | {key: Answer(value, NOW) for key, value in values.items()}
