"""Sputum of a day, groups of patients, and what may be compared."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from therapy.outcomes.response import (
    Sputum,
    SputumState,
    SputumUnit,
    over_patients,
    response,
    runs,
    sputum_of_day,
    units_measured,
)

NONE = Sputum(SputumState.NONE)
IN_ML, IN_G, IN_NEITHER = frozenset({SputumUnit.ML}), frozenset({SputumUnit.G}), frozenset()


def ml(tenths):
    return Sputum(SputumState.MEASURED, volume_tenths_ml=tenths)


def grams(tenths):
    return Sputum(SputumState.MEASURED, mass_tenths_g=tenths)


def test_a_day_sums_what_was_measured_and_says_from_how_many_treatments():
    found = sputum_of_day([ml(50), ml(75), NONE, Sputum(SputumState.SWALLOWED)], units=IN_ML)
    assert found.volume_tenths_ml == 125
    assert (found.counted, found.sessions) == (3, 4)
    assert found.apart == {"swallowed": 1}


def test_millilitres_and_grams_are_never_added():
    found = sputum_of_day([ml(50), grams(30)], units=IN_ML | IN_G)
    assert (found.volume_tenths_ml, found.mass_tenths_g) == (50, 30)


def test_none_produced_is_a_zero_and_not_collected_is_not():
    assert sputum_of_day([NONE], units=IN_ML).volume_tenths_ml == 0
    unknown = sputum_of_day(
        [Sputum(SputumState.NOT_COLLECTED), Sputum(SputumState.SALIVA_ONLY)], units=IN_ML | IN_G
    )
    assert (unknown.volume_tenths_ml, unknown.mass_tenths_g, unknown.counted) == (None, None, 0)


def test_none_produced_is_a_zero_in_what_the_patient_is_measured_in():
    found = sputum_of_day([NONE, NONE], units=IN_G)
    assert (found.volume_tenths_ml, found.mass_tenths_g, found.counted, found.apart) == (None, 0, 2, {})
    # On a day with a measurement that day's own unit decides, whatever other days were measured in.
    found = sputum_of_day([grams(30), NONE], units=IN_ML | IN_G)
    assert (found.volume_tenths_ml, found.mass_tenths_g, found.counted) == (None, 30, 2)


def test_none_produced_without_any_measurement_has_no_unit_and_stands_apart():
    found = sputum_of_day([NONE, NONE, Sputum(SputumState.SUCTIONED)], units=IN_NEITHER)
    assert (found.volume_tenths_ml, found.mass_tenths_g) == (None, None)
    assert (found.counted, found.sessions, found.apart) == (0, 3, {"none": 2, "suctioned": 1})


def test_only_what_was_measured_says_in_what_a_patient_is_measured():
    without_amount = Sputum(SputumState.MEASURED)
    assert (
        units_measured([NONE, without_amount, Sputum(SputumState.SUCTIONED, volume_tenths_ml=40)])
        == IN_NEITHER
    )
    assert units_measured([NONE, grams(30)]) == IN_G
    assert units_measured([ml(0), grams(30)]) == IN_ML | IN_G


def test_a_patient_treated_often_weighs_no_more_than_one_treated_once():
    found = over_patients([[100] * 40, [10], [20]])
    assert found.median == 20
    assert (found.patients, found.sessions, found.few) == (3, 42, True)


def test_five_patients_are_enough_not_to_be_marked():
    found = over_patients([[1], [2], [3], [4], [5], []])
    assert (found.patients, found.few) == (5, False)
    assert (found.low, found.median, found.high) == (2, 3, 4)
    assert over_patients([[], []]) is None


def test_a_median_between_two_values_is_exact():
    assert over_patients([[1, 2]]).median == Fraction(3, 2)


def test_a_response_needs_both_values_and_the_same_oxygen():
    assert response(91, 94, comparable=True) == 3
    assert response(91, None, comparable=True) is None
    assert response(91, 94, comparable=False) is None


def test_a_line_is_drawn_within_runs_of_values_and_never_across_a_gap():
    assert runs([5, 6, None, 7, None, None, 8, 9]) == [(0, 1), (3, 3), (6, 7)]
    assert runs([]) == []
    assert runs([None]) == []


@given(st.lists(st.one_of(st.none(), st.integers(0, 9)), max_size=30))
def test_every_value_lies_in_exactly_one_run(points):
    inside = [i for first, last in runs(points) for i in range(first, last + 1)]
    assert inside == [i for i, value in enumerate(points) if value is not None]
