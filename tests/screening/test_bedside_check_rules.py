"""Which rows the bedside check asks, and what carries over beside the new answers."""

import datetime as dt
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from screening import check, rules, table
from screening.holds import Bar, GivenDecision, GivenScreening, Guard, Purpose, judge
from screening.policy.rules import ShelfLifeRule, ThresholdRule, effective
from screening.rules import Answer, Result
from screening.table import Life
from tests.conftest import NOW

TABLE = table.current()
TECHNIQUES = list(TABLE.techniques)
MINUTES = st.sampled_from([0, 30, 60, 61, 600, 1440, 1441, 5000])
ROWS = st.dictionaries(
    st.sampled_from(check.askable(TABLE.conditions, TABLE)),
    st.tuples(st.sampled_from([rules.YES, rules.NO, rules.UNKNOWN]), MINUTES),
    max_size=12,
)
NUMBERS = st.dictionaries(
    st.sampled_from([key for key in TABLE.numbers if key not in check.NOT_ASKED]),
    st.tuples(st.sampled_from([0, 2, 8, 25, 150, 300, *rules.NUMBER_WORDS]), MINUTES),
    max_size=4,
)


def ago(minutes: int) -> dt.datetime:
    return NOW - dt.timedelta(minutes=minutes)


def answered(rows: dict, numbers: dict) -> dict[str, Answer]:
    """Every row answered no just now, but the ones drawn; a row of a drawn number leaves the answer to it."""
    found = {key: Answer(rules.NO, NOW) for key in TABLE.conditions} | {"age_years": Answer(40, NOW)}
    found |= {key: Answer(value, ago(minutes)) for key, (value, minutes) in rows.items()}
    for key, (value, minutes) in numbers.items():
        if isinstance(value, str) or TABLE.numbers[key].hard_low <= value <= TABLE.numbers[key].hard_high:
            found[key] = Answer(value, ago(minutes))
            for row in TABLE.numbers[key].conditions:
                found.pop(row, None)
    return found


def begin(answers: dict[str, Answer], technique: str) -> Guard:
    given_screening = GivenScreening(id=UUID(int=1), at=NOW, answers=answers)
    return judge(technique, NOW, Purpose.BEGIN, screening=given_screening, decisions=(), table=TABLE)


def after(earlier: dict[str, Answer], now: dict[str, str]) -> dict[str, Answer]:
    """The answers of the next screening, as `record_screening` puts them together."""
    stand = check.carried(earlier, "all", now, TABLE)
    return {key: Answer(one.value, earlier[one.source].at) for key, one in stand.items()} | {
        key: Answer(value, NOW) for key, value in now.items()
    }


@given(ROWS, NUMBERS, st.sampled_from(TECHNIQUES), st.data())
def test_answering_exactly_what_is_asked_settles_the_technique_and_nothing_less_does(
    rows, numbers, technique, data
):
    """Invariant 1: unknown, not measured and out of date are incomplete wherever the grade is R or A."""
    answers = answered(rows, numbers)
    asked = check.to_ask(begin(answers, technique), TABLE)
    everything = dict.fromkeys(asked, rules.NO)
    settled = begin(after(answers, everything), technique)
    assert settled.missing == ()
    assert settled.result is not Result.INCOMPLETE
    if asked:
        left_out = data.draw(st.sampled_from(asked))
        del everything[left_out]
        assert left_out in begin(after(answers, everything), technique).missing


@given(ROWS, NUMBERS, st.sampled_from(TECHNIQUES))
def test_only_rows_graded_for_the_technique_are_asked_and_no_settled_one(rows, numbers, technique):
    answers = answered(rows, numbers)
    bearing = TABLE.bearing_on(technique)
    found = begin(answers, technique)
    for key in check.to_ask(found, TABLE):
        assert key in bearing
        fresh = rules.screen(answers, TABLE, techniques=[technique], at=NOW)[technique]
        assert key in fresh.unsettled


def test_after_an_hour_the_answers_of_now_are_asked_and_after_a_day_those_of_today():
    """Shelf lives of the table: now 60 minutes, today 24 hours; at the very minute an answer still counts."""
    answers = {key: Answer(rules.NO, NOW) for key in TABLE.conditions} | {"age_years": Answer(40, NOW)}
    lives = {
        minutes: {
            TABLE.conditions[key].life
            for key in check.to_ask(
                judge(
                    "oscillating_pep",
                    NOW + dt.timedelta(minutes=minutes),
                    Purpose.BEGIN,
                    screening=GivenScreening(id=UUID(int=1), at=NOW, answers=answers),
                    decisions=(),
                    table=TABLE,
                ),
                TABLE,
            )
        }
        for minutes in (60, 61, 1440, 1441, 500_000)
    }
    assert lives == {60: set(), 61: {"now"}, 1440: {"now"}, 1441: {"now", "today"}, 500_000: {"now", "today"}}


def test_without_a_screening_every_row_that_bears_on_the_technique_is_asked_but_the_age():
    found = judge("percussion_vibration", NOW, Purpose.BEGIN, screening=None, decisions=(), table=TABLE)
    asked = check.to_ask(found, TABLE)
    assert set(TABLE.bearing_on("percussion_vibration")) - set(asked) <= {"age_under_2"}
    assert "age_under_2" not in asked


def test_what_a_number_said_of_its_other_rows_stays_when_a_word_replaces_it():
    """2 mL in 24 h is scant (CFF 2010: under 5 mL); "not massive" does not make it unknown."""
    earlier = {"haemoptysis_24h_ml": Answer(2, ago(90))}
    stand = check.carried(earlier, "all", {"haemoptysis_massive"}, TABLE)
    assert stand["haemoptysis_scant"] == check.Carried("haemoptysis_24h_ml", rules.YES)
    assert stand["haemoptysis_5_to_240"] == check.Carried("haemoptysis_24h_ml", rules.NO)
    assert "haemoptysis_24h_ml" not in stand
    assert "haemoptysis_massive" not in stand


def test_a_new_number_replaces_the_words_of_its_rows():
    earlier = {"haemoptysis_scant": Answer(rules.YES, ago(90)), "epistaxis": Answer(rules.NO, ago(90))}
    assert set(check.carried(earlier, "all", {"haemoptysis_24h_ml"}, TABLE)) == {"epistaxis"}


def test_a_rows_own_word_that_is_younger_than_the_number_stays():
    earlier = {
        "haemoptysis_24h_ml": Answer(2, ago(90)),
        "haemoptysis_scant": Answer(rules.YES, ago(5)),
        "haemoptysis_5_to_240": Answer(rules.UNKNOWN, ago(5)),
    }
    stand = check.carried(earlier, "all", {"haemoptysis_massive"}, TABLE)
    assert stand["haemoptysis_scant"].source == "haemoptysis_scant"
    assert stand["haemoptysis_5_to_240"] == check.Carried("haemoptysis_24h_ml", rules.NO)


def test_no_reason_to_measure_falls_away_once_there_is_a_reason():
    earlier = {
        "platelets_10e9_per_l": Answer(rules.NO_REASON, ago(90)),
        "icp_mmhg": Answer(rules.NO_REASON, ago(90)),
    }
    kept = check.to_keep(earlier, {"active_bleeding_unstable": rules.YES}, TABLE)
    assert kept == {"icp_mmhg"}
    assert check.to_keep(earlier, {"active_bleeding_unstable": rules.NO}, TABLE) == set(earlier)


@pytest.mark.parametrize(
    ("earlier", "found"),
    [
        ({"chest_wall_pain": "yes"}, {"chest_wall_pain"}),
        ({"chest_wall_pain": "no"}, set()),
        ({"chest_wall_pain": "unknown"}, set()),
        ({"haemoptysis_24h_ml": 8}, {"haemoptysis_5_to_240"}),
        ({}, set()),
    ],
)
def test_what_was_found_last_time_is_known_from_word_and_number(earlier, found):
    answers = {key: Answer(value, ago(90)) for key, value in earlier.items()}
    rows = ["chest_wall_pain", "haemoptysis_5_to_240", "haemoptysis_scant"]
    assert check.found_before(rows, answers, TABLE) == found


def test_every_number_lives_as_long_as_the_rows_it_answers():
    """Otherwise a number's word that carries over to a row would live longer or shorter there."""
    for number in TABLE.numbers.values():
        assert {TABLE.conditions[key].life for key in number.conditions} <= {number.life}, number.key


@st.composite
def with_their_rows(draw):
    """Answers of some age, each row beside the numbers that answer it: unknown, or its own word."""
    answers = {key: Answer(rules.NO, NOW) for key in TABLE.conditions} | {"age_years": Answer(40, NOW)}
    for number in draw(st.lists(st.sampled_from(sorted(NUMBERED)), min_size=1, max_size=3)):
        value = draw(st.sampled_from([0, 1, 2, 8, 12, 25, 35, 45, 95, 150, 300, *rules.NUMBER_WORDS]))
        of = TABLE.numbers[number]
        if isinstance(value, str) or of.hard_low <= value <= of.hard_high:
            answers[number] = Answer(value, ago(draw(MINUTES)))
        for row in of.conditions:
            word = draw(st.sampled_from([rules.UNKNOWN, rules.UNKNOWN, rules.YES, rules.NO]))
            answers[row] = Answer(word, ago(draw(MINUTES)))
    for row in draw(st.sets(st.sampled_from(list(TABLE.conditions)), max_size=2)):
        answers[row] = Answer(draw(st.sampled_from([rules.YES, rules.UNKNOWN, rules.NO])), ago(draw(MINUTES)))
    return answers


NUMBERED = set(TABLE.numbers) - check.NOT_ASKED
WAIT = ThresholdRule(
    condition="meal_within_waiting_time",
    number="minutes_since_meal",
    technique="head_down_drainage",
    value=120,
)
POLICIES = st.sampled_from(
    [
        (),
        (WAIT,),
        (WAIT, ShelfLifeRule(life=Life.NOW, minutes=30)),
        (ShelfLifeRule(life=Life.TODAY, minutes=720),),
    ]
)


@given(with_their_rows(), st.sampled_from(TECHNIQUES), st.booleans(), POLICIES)
@settings(max_examples=400)
def test_what_may_begin_has_nothing_open_by_age_or_want_of_an_answer(answers, technique, is_decided, policy):
    """Invariant 3: begin is never let through on an answer that is missing, unknown or past its shelf life."""
    screening, held = GivenScreening(id=UUID(int=1), at=NOW, answers=answers), effective(TABLE, policy)

    def ask(purpose, decisions=()):
        return judge(technique, NOW, purpose, screening=screening, decisions=decisions, table=held)

    weighed = GivenDecision(
        id=UUID(int=2), technique=technique, proceed=True, reason="", conditions="", at=NOW, by="",
        stop_below_spo2_percent=None, expires_at=NOW + dt.timedelta(hours=1),
        fingerprint=ask(Purpose.DISPLAY).fingerprint,
    )  # fmt: skip
    found = ask(Purpose.BEGIN, [weighed] if is_decided else [])
    try:
        by_then = rules.screen(answers, held, techniques=[technique], at=NOW)[technique]
    except NotCalculable:
        assert not found.allowed
        return
    if found.result is Result.INCOMPLETE and not found.because:
        assert "must be repeated" in found.held_because[0], "row and number disagreed when they were given"
        return
    if found.allowed:
        decided = by_then.result is Result.CLINICIAN_MUST_DECIDE and found.decision == weighed
        assert by_then.result is Result.NONE_FOUND or decided
    assert set(by_then.unsettled) <= set(found.missing)
    assert set(ask(Purpose.DISPLAY).ask_again) == set(found.missing) - set(ask(Purpose.DISPLAY).missing)
    # What is open is what the bedside check asks.
    if found.missing:
        assert set(check.to_ask(found, TABLE)) == set(found.missing) - {"age_under_2"}


@pytest.mark.parametrize(
    ("number", "value", "technique"),
    [
        ("icp_mmhg", 12, "pep"),
        ("icp_mmhg", 12, "mi_e"),
        ("icp_mmhg", 12, "head_down_drainage"),
        ("platelets_10e9_per_l", 210, "percussion_vibration"),
        ("haemoptysis_24h_ml", 0, "pep"),
        ("minutes_since_meal", 120, "head_down_drainage"),
        ("minutes_since_meal", 45, "hfcwo"),
        ("vital_capacity_ml_per_kg", 15, "incentive_spirometry"),
    ],
)
def test_a_number_past_its_shelf_life_is_asked_again_where_its_rows_are_answered_unknown(
    number, value, technique
):
    answers = {key: Answer(rules.NO, NOW) for key in TABLE.conditions} | {"age_years": Answer(40, NOW)}
    rows = TABLE.numbers[number].conditions
    answers |= dict.fromkeys(rows, Answer(rules.UNKNOWN, NOW)) | {number: Answer(value, NOW)}
    assert begin(answers, technique).allowed
    found = begin(answers | {number: Answer(value, ago(4 * 1440))}, technique)
    assert (found.allowed, found.bar) == (False, Bar.OUT_OF_DATE)
    assert set(check.to_ask(found, TABLE)) == set(rows) & set(TABLE.bearing_on(technique))
    assert all("the answer is 4 days old, ask again" in line for line in found.held_because)


def test_an_old_yes_by_number_is_asked_again_whatever_was_decided():
    answers = {key: Answer(rules.NO, NOW) for key in TABLE.conditions} | {"age_years": Answer(40, NOW)}
    answers |= dict.fromkeys(TABLE.numbers["platelets_10e9_per_l"].conditions, Answer(rules.UNKNOWN, NOW))
    answers["platelets_10e9_per_l"] = Answer(35, ago(4 * 1440))
    screening = GivenScreening(id=UUID(int=1), at=NOW, answers=answers)

    def ask(purpose, decisions=()):
        return judge("drainage", NOW, purpose, screening=screening, decisions=decisions, table=TABLE)

    ahead = ask(Purpose.DISPLAY)
    assert ahead.bar is Bar.DECISION_WANTED
    weighed = GivenDecision(
        id=UUID(int=2), technique="drainage", proceed=True, reason="", conditions="", at=NOW, by="",
        stop_below_spo2_percent=None, expires_at=NOW + dt.timedelta(hours=1), fingerprint=ahead.fingerprint,
    )  # fmt: skip
    assert ask(Purpose.SCHEDULE, [weighed]).allowed
    found = ask(Purpose.BEGIN, [weighed])
    assert (found.allowed, found.bar) == (False, Bar.OUT_OF_DATE)
    assert "platelets_20_to_49" in check.to_ask(found, TABLE)


# Wanted, not measured


def wanted_platelets() -> dict[str, Answer]:
    """The number is wanted; both of its rows were once answered no, which does not count beside it."""
    return answered({}, {}) | {"platelets_10e9_per_l": Answer(rules.NOT_MEASURED, ago(10))}


def test_a_word_for_one_row_leaves_the_other_row_of_a_wanted_number_open():
    earlier = wanted_platelets()
    assert rules.row_state("platelets_under_20", earlier, TABLE)[0] == rules.UNKNOWN
    now = after(earlier, {"platelets_20_to_49": rules.NO})
    assert rules.row_state("platelets_20_to_49", now, TABLE)[0] == rules.NO
    assert rules.row_state("platelets_under_20", now, TABLE)[0] == rules.UNKNOWN
    assert now["platelets_under_20"].value == rules.NOT_MEASURED


def test_no_tick_denies_a_row_whose_number_is_wanted():
    rows = ("platelets_20_to_49", "platelets_under_20", "epistaxis")
    assert check.found_before(rows, wanted_platelets(), TABLE) == {"platelets_20_to_49", "platelets_under_20"}
    assert check.not_measured(rows, wanted_platelets(), TABLE) == {"platelets_20_to_49", "platelets_under_20"}
