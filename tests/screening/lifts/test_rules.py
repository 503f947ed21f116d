"""What a lift changes, and that it changes nothing else."""

import datetime as dt

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from screening import holds, rules, table
from screening.holds import Bar, GivenDecision, GivenScreening, Purpose, judge
from screening.lifts import rules as lifting
from screening.lifts.names import names
from screening.policy.rules import CellRule, effective
from screening.rules import SEVERITY, Answer, Result
from screening.table import Grade
from tests.conftest import NOW

TABLE = table.current()
HOUR = dt.timedelta(hours=1)
ALL_NO = {key: "no" for key, row in TABLE.conditions.items() if "age_years" not in row.numbers} | {
    "age_years": 68
}
ABSOLUTE = sorted(place for place, cell in TABLE.cells.items() if cell.grade is Grade.ABSOLUTE)
STARRED = [place for place in ABSOLUTE if TABLE.cells[place].star]
PUBLISHED = [place for place in ABSOLUTE if not TABLE.cells[place].star]
BY_WORD = [place for place in STARRED if place[0] in ALL_NO]


def lift(condition="lung_abscess", technique="mi_e", answer="yes", **changed):
    return lifting.Lift(
        **{
            "id": "1",
            "condition": condition,
            "technique": technique,
            "answer": answer,
            "counts_from": NOW,
            "expires_at": NOW + 24 * HOUR,
            "prescriber": "Dr Larkspur",
            "second": "M. Saltmarsh",
        }
        | changed
    )


def screened(answers, technique, **more):
    given_answers = {key: Answer(value, NOW) for key, value in answers.items()}
    return rules.screen(given_answers, TABLE, techniques=[technique], **more)[technique]


def guard(answers, technique="mi_e", at=NOW, *, lifts=(), decisions=(), purpose=Purpose.BEGIN, policy=()):
    screening = GivenScreening(
        id=None, at=NOW, answers={key: Answer(value, NOW) for key, value in answers.items()}
    )
    return judge(
        technique,
        at,
        purpose,
        screening=screening,
        decisions=decisions,
        table=effective(TABLE, policy),
        lifts=lifts,
    )


def decision(fingerprint, technique="mi_e", *, proceed=True):
    return GivenDecision(
        id=None, technique=technique, proceed=proceed, reason="r", conditions="", at=NOW,
        stop_below_spo2_percent=None, expires_at=NOW + 24 * HOUR, by="M. Saltmarsh", fingerprint=fingerprint,
    )  # fmt: skip


def test_the_table_has_starred_and_published_bars_to_tell_apart():
    assert len(STARRED) > 50
    assert len(PUBLISHED) > 20


def test_a_published_bar_is_never_lifted_and_the_refusal_names_reason_and_source():
    assert PUBLISHED
    for place in PUBLISHED:
        cell = TABLE.cells[place]
        said = lifting.refusal(cell, TABLE)
        assert cell.reason in said, place
        assert TABLE.cite(cell) in said, place
        assert not lifting.may_be_lifted(cell), place
    by_word = [place for place in PUBLISHED if place[0] in ALL_NO]
    assert by_word
    for place in by_word:
        found = screened(ALL_NO | {place[0]: "yes"}, place[1])
        assert lifting.lifted(found, [lift(*place)], NOW) == (found, ()), place


def test_each_starred_bar_lifted_counts_as_clinician_must_decide_with_the_decision_given():
    assert BY_WORD
    for place in BY_WORD:
        answers = ALL_NO | {place[0]: "yes"}
        assert guard(answers, place[1]).bar is Bar.DO_NOT_START, place
        found = guard(answers, place[1], lifts=[lift(*place)])
        told = (found.allowed, found.result, found.decision, [one.condition for one in found.lifts])
        assert told == (True, Result.CLINICIAN_MUST_DECIDE, None, [place[0]]), place


@given(st.data())
def test_a_lift_never_changes_any_other_cell(data):
    condition, technique = data.draw(st.sampled_from(BY_WORD))
    word = st.sampled_from(["yes", "no", "unknown"])
    free = [key for key in ALL_NO if key in TABLE.conditions and not TABLE.conditions[key].numbers]
    others = data.draw(st.dictionaries(st.sampled_from(free), word, max_size=6))
    answers = ALL_NO | others | {condition: "yes"}
    other_technique = data.draw(st.sampled_from(list(TABLE.techniques)))
    before = screened(answers, other_technique)
    after, used = lifting.lifted(before, [lift(condition, technique)], NOW)
    if other_technique != technique:
        assert (after, used) == (before, ())
        return
    left = {part.cell.condition: part for part in before.contributions if part.cell.condition != condition}
    assert {p.cell.condition: p for p in after.contributions if p.cell.condition != condition} == left
    mine = next(part for part in after.contributions if part.cell.condition == condition)
    assert mine.result is Result.CLINICIAN_MUST_DECIDE
    assert mine.cell == TABLE.cells[condition, technique]
    expected = [part.result for part in left.values()] + [Result.CLINICIAN_MUST_DECIDE]
    assert after.result is rules.worst(expected)
    order = [SEVERITY[part.result] for part in after.contributions]
    assert order == sorted(order, reverse=True), "the worst first"


@given(st.integers(-48 * 60, 48 * 60), st.none() | st.integers(0, 48 * 60))
def test_a_lift_counts_from_its_second_signature_until_its_end_and_never_outside(minutes, ended):
    at = NOW + dt.timedelta(minutes=minutes)
    ended_at = None if ended is None else NOW + dt.timedelta(minutes=ended)
    one = lift(ended_at=ended_at)
    found = guard(ALL_NO | {"lung_abscess": "yes"}, at=max(at, NOW), lifts=[one], purpose=Purpose.DISPLAY)
    assume(at >= NOW)
    counts = minutes < 24 * 60 and (ended is None or minutes < ended)
    assert found.allowed is counts
    assert (found.bar is Bar.DO_NOT_START) is not counts


def test_an_expired_lift_is_no_lift():
    found = guard(
        ALL_NO | {"lung_abscess": "yes"}, at=NOW + 24 * HOUR, lifts=[lift()], purpose=Purpose.DISPLAY
    )
    assert (found.allowed, found.bar, found.lifts) == (False, Bar.DO_NOT_START, ())


@pytest.mark.parametrize("answer", ["no", "5", "unknown"])
def test_a_lift_counts_for_the_answer_it_was_made_for_alone(answer):
    found = guard(ALL_NO | {"lung_abscess": "yes"}, lifts=[lift(answer=answer)])
    assert found.bar is Bar.DO_NOT_START


def test_a_lift_made_for_a_number_does_not_count_for_another_number():
    # 5 to 240 mL in 24 h bars head-down drainage by judgement.
    answers = {key: value for key, value in ALL_NO.items() if not key.startswith("haemoptysis_")}
    answers |= {"haemoptysis_linked_to_lung_cancer": "no", "haemoptysis_fresh_amount_unknown": "no"}
    answers = {
        key: value for key, value in answers.items() if key in TABLE.conditions or key in TABLE.numbers
    }
    row = next(
        key for key in TABLE.numbers["haemoptysis_24h_ml"].conditions
        if (key, "head_down_drainage") in STARRED
    )  # fmt: skip
    before = screened(answers | {"haemoptysis_24h_ml": 50}, "head_down_drainage")
    part = next(one for one in before.contributions if one.cell.condition == row)
    one = lift(row, "head_down_drainage", answer=lifting.answer_text(part.answer))
    assert one.covers(part)
    worse = screened(answers | {"haemoptysis_24h_ml": 60}, "head_down_drainage")
    assert not any(one.covers(part) for part in worse.contributions)


def test_another_finding_beside_a_lift_still_wants_its_decision():
    answers = ALL_NO | {"lung_abscess": "yes", "rib_fracture": "yes"}
    found = guard(answers, lifts=[lift()])
    assert (found.allowed, found.bar) == (False, Bar.DECISION_WANTED)
    assert any("lifted for this patient" in line for line in found.held_because)
    decided = guard(answers, lifts=[lift()], decisions=[decision(found.fingerprint)])
    assert decided.allowed
    alone = guard(answers, decisions=[decision(found.fingerprint)])
    assert alone.bar is Bar.DO_NOT_START, "a decision alone never lifts anything"


def test_a_decision_not_to_proceed_stands_above_a_lift():
    answers = ALL_NO | {"lung_abscess": "yes"}
    weighed = guard(answers, lifts=[lift()]).fingerprint
    found = guard(answers, lifts=[lift()], decisions=[decision(weighed, proceed=False)])
    assert (found.allowed, found.bar) == (False, Bar.DECIDED_AGAINST)


def test_an_open_row_beside_a_lift_keeps_the_technique_incomplete():
    found = guard(ALL_NO | {"lung_abscess": "yes", "rib_fracture": "unknown"}, lifts=[lift()])
    assert (found.allowed, found.result, found.bar) == (False, Result.INCOMPLETE, Bar.INCOMPLETE)


def test_a_lifted_answer_past_its_shelf_life_is_asked_again_at_the_bedside():
    answers, later = ALL_NO | {"lung_abscess": "yes"}, NOW + 30 * HOUR
    one = lift(expires_at=NOW + 72 * HOUR)
    assert guard(answers, at=later, lifts=[one], purpose=Purpose.DISPLAY).allowed
    assert guard(answers, at=later, lifts=[one], purpose=Purpose.BEGIN).bar is Bar.OUT_OF_DATE


def test_a_bar_of_local_policy_alone_may_be_lifted_and_a_published_one_made_stricter_may_not():
    stricter = CellRule(condition="rib_fracture", technique="mi_e", grade=Grade.ABSOLUTE, reason="Here")
    answers = ALL_NO | {"rib_fracture": "yes"}
    assert guard(answers, policy=[stricter]).bar is Bar.DO_NOT_START
    assert guard(answers, policy=[stricter], lifts=[lift("rib_fracture")]).allowed
    published = CellRule(condition="vomiting_now", technique="mi_e", grade=Grade.ABSOLUTE, reason="Here")
    answers = ALL_NO | {"vomiting_now": "yes"}
    found = guard(answers, policy=[published], lifts=[lift("vomiting_now")])
    assert found.bar is Bar.DO_NOT_START, "the policy does not put a star on a published cell"


def test_what_a_decision_weighed_does_not_change_with_a_lift():
    answers = ALL_NO | {"lung_abscess": "yes", "rib_fracture": "yes"}
    parts = screened(answers, "mi_e").contributions
    assert guard(answers, lifts=[lift()]).fingerprint == holds.fingerprint("mi_e", parts, TABLE)


@pytest.mark.parametrize(
    ("words", "same"),
    [
        ("Dr Mina Saltmarsh", True),
        ("M. Saltmarsh", True),
        ("Dr Saltmarsh", True),
        ("SALTMARSH, Mina (Dr)", True),
        ("Dr Odo Saltmarsh", False),
        ("Dr Larkspur", False),
        ("Mina", False),
    ],
)
def test_a_prescriber_named_in_words_is_known_by_name(words, same):
    assert names(words, "Mina", "Saltmarsh") is same
