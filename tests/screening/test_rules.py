"""Unknown is never no, the worst cell rules, and getting worse never looks better."""

import csv
import datetime as dt
import itertools
import random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from screening import holds, rules
from screening import table as tables
from screening.rules import Answer, Result
from screening.table import Harm

TABLE = tables.current()
ORDER = ["none_found", "clinician_must_decide", "incomplete", "do_not_start"]
NOW = dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC)


def raw_grades():
    """The grades as they stand in the file, read without the loader."""
    with (tables.DIRECTORY / "cells.csv").open(encoding="utf-8", newline="") as lines:
        return {(row["condition"], row["technique"]): row["grade"] for row in csv.DictReader(lines)}


def expected(grade, answer):
    """Invariant 1, one cell, in the words of design.md."""
    if answer in ("no", "no_reason_to_measure") or grade == "N":
        return "none_found"
    if answer == "yes":
        return "do_not_start" if grade == "A" else "clinician_must_decide"
    return "incomplete"


def all_no(**changed):
    return {key: Answer(value) for key, value in (dict.fromkeys(TABLE.conditions, "no") | changed).items()}


def strictness(results):
    return {technique: ORDER.index(one.result) for technique, one in results.items()}


def test_each_single_answer_gives_the_result_of_its_cell():
    grades = raw_grades()
    for condition, answer in itertools.product(TABLE.conditions, rules.WORDS):
        found = rules.screen(all_no(**{condition: answer}), TABLE)
        for technique in TABLE.techniques:
            assert found[technique].result == expected(grades[condition, technique], answer)


def test_a_left_out_answer_counts_as_unknown_and_is_named():
    grades = raw_grades()
    for condition in TABLE.conditions:
        answers = all_no()
        del answers[condition]
        found = rules.screen(answers, TABLE)
        for technique in TABLE.techniques:
            assert found[technique].result == expected(grades[condition, technique], "unknown")
            assert (condition in found[technique].missing) == (grades[condition, technique] != "N")


def test_the_order_of_results_is_the_published_one():
    assert [str(result) for result in Result] == ORDER


# Numbers

ROWS_OF = {number.key: number.conditions for number in TABLE.numbers.values()}


def by_number(key, value, **more):
    """Every row no, but those that the number answers left out."""
    answers = all_no(**more)
    for condition in ROWS_OF[key]:
        answers.pop(condition, None)
    return answers | {key: Answer(value)}


@pytest.mark.parametrize(
    ("key", "value", "rows"),
    [
        ("icp_mmhg", 20, []),
        ("icp_mmhg", 20.1, ["icp_above_20"]),
        ("platelets_10e9_per_l", 50, []),
        ("platelets_10e9_per_l", 49.9, ["platelets_20_to_49"]),
        ("platelets_10e9_per_l", 20, ["platelets_20_to_49"]),
        ("platelets_10e9_per_l", 19, ["platelets_under_20"]),
        ("haemoptysis_24h_ml", 0, []),
        ("haemoptysis_24h_ml", 0.5, ["haemoptysis_scant"]),
        ("haemoptysis_24h_ml", 4.9, ["haemoptysis_scant"]),
        ("haemoptysis_24h_ml", 5, ["haemoptysis_5_to_240"]),
        ("haemoptysis_24h_ml", 241, ["haemoptysis_massive"]),
        ("age_years", 1.9, ["age_under_2"]),
        ("age_years", 2, []),
        ("gestation_weeks", 0, []),
        ("gestation_weeks", 12, ["pregnancy_first_trimester"]),
        ("gestation_weeks", 13, ["pregnancy_second_or_third_trimester"]),
        ("vital_capacity_ml_per_kg", 10, []),
        ("vital_capacity_ml_per_kg", 9.9, ["cannot_breathe_deeply"]),
        ("minutes_since_meal", 90, []),
    ],
)
def test_a_number_answers_its_rows(key, value, rows):
    given = {"haemoptysis_days_over_100_ml": Answer(0)} if key == "haemoptysis_24h_ml" else {}
    found = rules.screen(by_number(key, value) | given, TABLE)
    as_rows = rules.screen(all_no(**dict.fromkeys(rows, "yes")), TABLE)
    for technique in TABLE.techniques:
        assert found[technique].result == as_rows[technique].result
        assert [one.cell for one in found[technique].contributions] == [
            one.cell for one in as_rows[technique].contributions
        ]


def test_240_ml_is_in_the_middle_class_and_two_days_over_100_ml_are_massive():
    """Flume et al., CFF 2010; Semin Respir Crit Care Med 2019;40:804 for the limb of two days."""
    once = by_number("haemoptysis_24h_ml", 240) | {"haemoptysis_days_over_100_ml": Answer(1)}
    twice = by_number("haemoptysis_24h_ml", 240) | {"haemoptysis_days_over_100_ml": Answer(2)}
    assert rules.screen(once, TABLE)["pep"].result is Result.CLINICIAN_MUST_DECIDE
    assert rules.screen(twice, TABLE)["pep"].result is Result.DO_NOT_START


def test_the_days_over_100_ml_are_asked_only_when_the_last_day_brought_more():
    little = rules.screen(by_number("haemoptysis_24h_ml", 100), TABLE)["pep"]
    much = rules.screen(by_number("haemoptysis_24h_ml", 101), TABLE)["pep"]
    assert little.result is Result.CLINICIAN_MUST_DECIDE
    assert much.result is Result.INCOMPLETE
    assert "haemoptysis_days_over_100_ml" in much.missing


def test_the_waiting_time_after_a_meal_depends_on_the_technique():
    def results(minutes):
        return rules.screen(by_number("minutes_since_meal", minutes), TABLE)

    assert results(89)["head_down_drainage"].result is Result.CLINICIAN_MUST_DECIDE
    assert results(30)["hfcwo"].result is Result.NONE_FOUND
    assert results(29)["hfcwo"].result is Result.CLINICIAN_MUST_DECIDE
    agreed = all_no(meal_within_waiting_time="yes") | {"minutes_since_meal": Answer(45)}
    assert rules.screen(agreed, TABLE)["hfcwo"].result is Result.NONE_FOUND
    assert rules.screen(agreed, TABLE)["head_down_drainage"].result is Result.CLINICIAN_MUST_DECIDE
    without_number = all_no(meal_within_waiting_time="yes")
    assert rules.screen(without_number, TABLE)["hfcwo"].result is Result.CLINICIAN_MUST_DECIDE


@pytest.mark.parametrize(
    ("row", "said", "key", "value"),
    [
        ("icp_above_20", "no", "icp_mmhg", 25),
        ("icp_above_20", "yes", "icp_mmhg", 12),
        ("icp_above_20", "yes", "icp_mmhg", "no_reason_to_measure"),
        ("haemoptysis_fresh_amount_unknown", "yes", "haemoptysis_24h_ml", 3),
        ("meal_within_waiting_time", "no", "minutes_since_meal", 45),
    ],
)
def test_a_row_and_its_number_that_disagree_are_refused(row, said, key, value):
    with pytest.raises(NotCalculable) as refused:
        rules.screen({row: Answer(said), key: Answer(value)}, TABLE)
    assert refused.value.code == "inconsistent"
    assert refused.value.field == f"/answers/{row}"


def test_a_number_settles_a_row_answered_unknown_and_a_row_settles_its_number():
    for value, result in ((12, Result.NONE_FOUND), (25, Result.DO_NOT_START)):
        answers = all_no(icp_above_20="unknown") | {"icp_mmhg": Answer(value)}
        assert rules.screen(answers, TABLE)["mi_e"].result is result
    answers = all_no() | {"icp_mmhg": Answer("unknown")}
    assert rules.screen(answers, TABLE)["mi_e"].result is Result.NONE_FOUND


def test_wanted_but_not_measured_leaves_the_technique_incomplete_although_the_row_says_no():
    answers = all_no() | {"platelets_10e9_per_l": Answer("not_measured")}
    assert rules.screen(answers, TABLE)["percussion_vibration"].result is Result.INCOMPLETE


@pytest.mark.parametrize("row", TABLE.numbers["days_since_surgery"].conditions)
def test_days_since_surgery_only_rule_out_that_it_is_recent(row):
    """Local: 42 days, longer than the 4 weeks of the list for forced manoeuvres (ATS/ERS 2019)."""
    technique = next(key for key in TABLE.techniques if TABLE.cells[row, key].grade != "N")
    left_out = {key: answer for key, answer in all_no().items() if key != row}

    def result(days, answers=left_out):
        return rules.screen(answers | {"days_since_surgery": Answer(days)}, TABLE)[technique].result

    assert result(43) is Result.NONE_FOUND
    assert result(42) is Result.INCOMPLETE, "within them the row's own answer is wanted"
    assert result(3, all_no()) is Result.NONE_FOUND
    assert result(3, all_no(**{row: "yes"})) is not Result.NONE_FOUND
    assert result("not_measured", all_no()) is Result.NONE_FOUND, "it was asked for itself"
    with pytest.raises(NotCalculable, match="answered yes"):
        result(43, all_no(**{row: "yes"}))


def test_peak_cough_flow_bars_nothing():
    for flow in (10, 159, 269, 900):
        found = rules.screen(all_no() | {"peak_cough_flow_l_per_min": Answer(flow)}, TABLE)
        assert all(one.result is Result.NONE_FOUND for one in found.values())


def test_no_reason_to_measure_counts_as_no():
    answers = all_no() | {key: Answer("no_reason_to_measure") for key in TABLE.numbers}
    for condition in TABLE.conditions.values():
        if condition.numbers:
            del answers[condition.key]
    assert all(one.result is Result.NONE_FOUND for one in rules.screen(answers, TABLE).values())


@pytest.mark.parametrize(
    ("answers", "code"),
    [
        ({"no_such_row": "yes"}, "unknown_field"),
        ({"epistaxis": "maybe"}, "out_of_range"),
        ({"epistaxis": 3}, "wrong_type"),
        ({"epistaxis": True}, "wrong_type"),
        ({"icp_mmhg": "yes"}, "out_of_range"),
        ({"icp_mmhg": float("nan")}, "wrong_type"),
        ({"icp_mmhg": 400}, "out_of_range"),
        ({"haemoptysis_24h_ml": -1}, "out_of_range"),
    ],
)
def test_what_is_no_answer_is_refused_by_name(answers, code):
    with pytest.raises(NotCalculable) as refused:
        rules.screen({key: Answer(value) for key, value in answers.items()}, TABLE)
    assert refused.value.code == code
    assert refused.value.field == f"/answers/{next(iter(answers))}"


# Shelf life


def aged(condition, answer, hours):
    given = NOW - dt.timedelta(hours=hours)
    return {key: Answer("no", NOW) for key in TABLE.conditions} | {condition: Answer(answer, given)}


@pytest.mark.parametrize(
    ("condition", "hours", "counts"),
    [
        ("epistaxis", 1, True),
        ("epistaxis", 1.01, False),
        ("facial_fracture", 24, True),
        ("facial_fracture", 24.1, False),
        ("bullous_emphysema", 24 * 365, True),
    ],
)
def test_an_answer_past_its_shelf_life_counts_as_unknown_only_when_the_time_is_asked(
    condition, hours, counts
):
    answers = aged(condition, "no", hours)
    found = rules.screen(answers, TABLE, at=NOW)["mi_e"]
    assert found.result is (Result.NONE_FOUND if counts else Result.INCOMPLETE)
    assert found.out_of_date == (() if counts else (condition,))
    assert rules.screen(answers, TABLE)["mi_e"].result is Result.NONE_FOUND


# Properties

ROWS = st.sampled_from(list(TABLE.conditions))
WORD = st.sampled_from(rules.WORDS)


@st.composite
def numbers(draw, number):
    """A value near the thresholds as often as anywhere in the range."""
    edges = [
        edge
        for condition in number.conditions
        for one in TABLE.conditions[condition].thresholds
        if one.number == number.key
        for edge in (one.at_least, one.more_than, one.at_most, one.less_than)
        if edge is not None
    ]
    near = [edge + step for edge in edges for step in (-1, -0.5, 0, 0.5, 1)]
    inside = [value for value in near if number.hard_low <= value <= number.hard_high]
    anywhere = st.floats(number.hard_low, number.hard_high)
    return draw(st.sampled_from(inside) | anywhere if inside else anywhere)


@st.composite
def answer_sets(draw):
    """Answers of every kind; a row is left out where its number is given, to keep them from disagreeing."""
    rows = draw(st.dictionaries(ROWS, WORD, max_size=12))
    # Most rows are no, so that what is drawn shows.
    answers = dict.fromkeys(TABLE.conditions, "no") | rows
    for key in draw(st.sets(st.sampled_from(list(TABLE.numbers)), max_size=4)):
        number = TABLE.numbers[key]
        answers[key] = draw(numbers(number) | st.sampled_from(rules.NUMBER_WORDS))
        for condition in number.conditions:
            answers.pop(condition, None)
    for key in draw(st.sets(ROWS, max_size=3)):
        answers.pop(key, None)
    return {key: Answer(value) for key, value in answers.items()}


def screened(answers):
    try:
        return rules.screen(answers, TABLE)
    except NotCalculable as refused:
        if refused.code != "inconsistent":
            raise
        return None


@given(answer_sets(), st.data())
@settings(max_examples=60, deadline=None)
def test_getting_worse_never_looks_better(answers, data):
    before = screened(answers)
    assume(before is not None)
    key = data.draw(st.sampled_from(list(answers)))
    value = answers[key].value
    if isinstance(value, str):
        worse = data.draw(st.sampled_from(["unknown", "not_measured", "yes"]))
        assume(value in ("no", "no_reason_to_measure"))
        assume(worse != "yes" or key in TABLE.conditions)
    else:
        number = TABLE.numbers[key]
        to = number.hard_high if number.harm is Harm.RISING else number.hard_low
        worse = data.draw(st.floats(min(value, to), max(value, to)))
    after = screened(answers | {key: Answer(worse)})
    assume(after is not None)
    earlier, later = strictness(before), strictness(after)
    assert all(later[technique] >= earlier[technique] for technique in TABLE.techniques)


@given(answer_sets())
@settings(max_examples=40, deadline=None)
def test_the_result_is_the_worst_of_what_contributes_and_lists_it_all(answers):
    found = screened(answers)
    assume(found is not None)
    for technique, one in found.items():
        assert one.result == max(
            (part.result for part in one.contributions), key=ORDER.index, default="none_found"
        )
        listed = [part.cell.condition for part in one.contributions]
        assert len(listed) == len(set(listed))
        for key in TABLE.bearing_on(technique):
            own = answers[key].value if key in answers else "unknown"
            if own in ("yes", "unknown", "not_measured") and not TABLE.conditions[key].thresholds:
                assert key in listed


@given(answer_sets(), st.randoms())
@settings(max_examples=20, deadline=None)
def test_the_order_of_the_answers_does_not_matter(answers, shuffler: random.Random):
    items = list(answers.items())
    shuffler.shuffle(items)
    assert screened(dict(items)) == screened(answers)


@given(answer_sets(), st.sampled_from(list(TABLE.techniques)), st.integers(0, 80))
@settings(max_examples=40, deadline=None)
def test_beginning_is_never_easier_than_looking_ahead(answers, technique, hours):
    assume(screened(answers) is not None)
    given_at = {key: Answer(one.value, NOW) for key, one in answers.items()}
    screening = holds.GivenScreening(id=None, at=NOW, answers=given_at)
    later = NOW + dt.timedelta(hours=hours)

    def ask(purpose):
        return holds.judge(technique, later, purpose, screening=screening, decisions=[], table=TABLE)

    ahead, bedside = ask(holds.Purpose.SCHEDULE), ask(holds.Purpose.BEGIN)
    assert ORDER.index(bedside.result) >= ORDER.index(ahead.result)
    assert ahead.allowed or not bedside.allowed
