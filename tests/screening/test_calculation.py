"""The calculation as an auditor calls it: plain words and numbers in, plain values out."""

import pytest

from clinic.calculation import NotCalculable
from screening import calculation
from screening import table as tables

TABLE = tables.current()
ALL_NO = dict.fromkeys(TABLE.conditions, "no")


def test_every_row_no_finds_nothing_and_misses_nothing():
    found = calculation.screening_result(ALL_NO)
    assert set(found.results.values()) == {"none_found"}
    assert found.contributions == ()
    assert found.missing == ()


def test_no_answer_at_all_is_incomplete_and_names_every_key():
    found = calculation.screening_result({})
    assert set(found.results.values()) == {"incomplete"}
    asked = {one.key for one in calculation.input_keys()}
    assert asked - set(found.missing) == {"peak_cough_flow_l_per_min"}, "it answers no row"


def test_a_contribution_carries_answer_grade_basis_and_source():
    found = calculation.screening_result(ALL_NO | {"epistaxis": "yes"}, technique="pep")
    assert found.results == {"pep": "clinician_must_decide"}
    (part,) = found.contributions
    assert (part.technique, part.condition, part.answer, part.grade) == ("pep", "epistaxis", "yes", "R")
    assert part.basis
    assert "Respir Care 1993;38:516" in part.source


def test_a_starred_cell_says_that_it_needs_local_sign_off():
    found = calculation.screening_result(ALL_NO | {"epistaxis": "yes"}, technique="mi_e")
    assert "judgement, needs local sign-off" in found.contributions[0].basis


def test_null_means_wanted_but_not_measured():
    answers = ALL_NO | {"platelets_10e9_per_l": None}
    assert calculation.screening_result(answers).results["percussion_vibration"] == "incomplete"


def test_the_example_is_a_valid_input():
    found = calculation.screening_result(calculation.example()["answers"])
    assert found.results["mi_e"] == "do_not_start"
    assert found.results["pep"] == "incomplete"


def test_a_policy_given_as_plain_values_tightens():
    rule = {"condition": "epistaxis", "technique": "pep", "grade": "A"}
    found = calculation.screening_result(ALL_NO | {"epistaxis": "yes"}, policy=[rule])
    assert found.results["pep"] == "do_not_start"


@pytest.mark.parametrize(
    ("arguments", "field", "code"),
    [
        ({"technique": "massage"}, "/technique", "out_of_range"),
        ({"policy": ["strict"]}, "/policy/0", "wrong_type"),
        ({"policy": [{"condition": "epistaxis", "technique": "pep"}]}, "/policy/0/grade", "missing"),
        (
            {"policy": [{"condition": "epistaxis", "technique": "pep", "grade": "A", "who": "me"}]},
            "/policy/0/who",
            "unknown_field",
        ),
        (
            {"policy": [{"condition": "epistaxis", "technique": "pep", "grade": "N"}]},
            "/policy/0/grade",
            "out_of_range",
        ),
        (
            {"policy": [{"condition": "epistaxis", "technique": "massage", "grade": "A"}]},
            "/policy/0/technique",
            "out_of_range",
        ),
        (
            {"policy": [{"condition": "epistaxis", "technique": "pep", "grade": "Z"}]},
            "/policy/0/grade",
            "out_of_range",
        ),
    ],
)
def test_a_wrong_argument_is_refused_with_its_place(arguments, field, code):
    with pytest.raises(NotCalculable) as refused:
        calculation.screening_result(ALL_NO, **arguments)
    assert (refused.value.field, refused.value.code) == (field, code)
