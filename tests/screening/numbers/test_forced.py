"""The list that is asked before a forced breathing test: data, every row relative, unknown never no."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from screening.numbers import forced
from screening.table import current

KEYS = [row.key for row in forced.rows()]
ALL_NO = dict.fromkeys(KEYS, forced.NO)

# The list typed a second time, from what is restated of the ATS/ERS 2019 spirometry standard (relative
# contraindications, secondary table): myocardial infarction within 1 week, unstable rhythm or failure, brain or eye
# surgery, chest or belly surgery within 4 weeks, pneumothorax, haemoptysis, aneurysm, late pregnancy, transmissible
# infection.
PUBLISHED = {
    "mi_within_1_week": ("heart attack", "week"),
    "unstable_rhythm_or_failure": ("rhythm", "failure"),
    "brain_or_eye_surgery": ("brain", "eye", "surgery"),
    "chest_or_belly_surgery_within_4_weeks": ("chest", "belly", "surgery", "4 weeks"),
    "pneumothorax": ("pneumothorax",),
    "haemoptysis": ("blood",),
    "aneurysm": ("aneurysm",),
    "late_pregnancy": ("late pregnancy",),
    "transmissible_infection": ("infection",),
}


def test_the_list_has_every_published_row_and_no_other():
    assert list(PUBLISHED) == KEYS
    for row in forced.rows():
        assert all(word in row.words.lower() for word in PUBLISHED[row.key]), row.key
        assert "Spirometry 2019" in row.source


def test_each_row_that_the_rule_table_asks_too_names_rows_that_exist():
    known = set(current().conditions)
    assert {key for row in forced.rows() for key in row.conditions} <= known


def test_with_every_row_answered_no_nobody_must_decide():
    assert not forced.outcome(ALL_NO).clinician_must_decide


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("answer", [forced.YES, forced.UNKNOWN, None])
def test_one_yes_or_one_unknown_asks_for_a_clinician(key, answer):
    answers = {**ALL_NO, key: answer} if answer else {k: v for k, v in ALL_NO.items() if k != key}
    found = forced.outcome(answers)
    assert found.clinician_must_decide
    assert (found.found, found.unknown) == (((key,), ()) if answer == forced.YES else ((), (key,)))


@given(st.dictionaries(st.sampled_from(KEYS), st.sampled_from(forced.ANSWERS)))
def test_nobody_need_decide_only_where_each_row_was_answered_no(answers):
    assert forced.outcome(answers).clinician_must_decide is (answers != ALL_NO)


def test_a_row_or_an_answer_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="no row tea"):
        forced.outcome({"tea": "no"})
    with pytest.raises(ValueError, match="yes, no or unknown"):
        forced.outcome({"aneurysm": "maybe"})


HEAD = "key,words,conditions,note,sources\n"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("aneurysm,,,,ats-ers-2019", "words is empty"),
        ("aneurysm,Aneurysm,,,", "sources is empty"),
        ("aneurysm,Aneurysm,,,hearsay", "no source hearsay"),
        ("aneurysm,Aneurysm,,,ats-ers-2019\naneurysm,Aneurysm,,,ats-ers-2019", "stands twice"),
    ],
)
def test_a_file_with_a_hole_is_refused(line, words):
    with pytest.raises(forced.ListRefused, match=words):
        forced.read(HEAD + line)


def test_what_the_screening_found_is_found_here_too_and_its_no_answers_nothing():
    states = dict.fromkeys(current().conditions, "no")
    assert forced.found_by_screening(states) == frozenset()
    assert forced.found_by_screening(states | {"haemoptysis_scant": "yes"}) == {"haemoptysis"}
