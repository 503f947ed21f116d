"""The rules of a recorded treatment against what is published; unknown stays unknown."""

from hypothesis import given
from hypothesis import strategies as st

from screening.table import current as rule_table
from therapy.outcomes.rules import ReasonGroup
from therapy.sessions import content, words
from therapy.sessions.rules import (
    REASONS,
    OxygenGiven,
    Saturation,
    Target,
    blood_condition,
    conditions_found,
    delivered_word,
    dose_of,
    rate_findings,
    same_oxygen,
    spo2_findings,
)

AIR = OxygenGiven("air")
TWO = OxygenGiven("nasal_cannula", 2000)
UNKNOWN = OxygenGiven("unknown")
TARGET = Target(88, 92, 86)


def codes(before, after, target=TARGET):
    return [one.code for one in spo2_findings(before, after, target)]


def test_a_fall_of_three_points_at_the_same_oxygen_is_found_and_one_of_two_is_not():
    # British Thoracic Society oxygen guideline 2017, BMJ Open Respir Res 4:e000170: assess a fall of 3 or more.
    assert codes(Saturation(92, TWO), Saturation(89, TWO)) == ["spo2_fall"]
    assert codes(Saturation(92, TWO), Saturation(90, TWO)) == []


def test_below_the_patients_own_range_is_found_and_below_the_limit_stops():
    # The same guideline: or below the patient's own target range. The limit to stop is set for the patient (local).
    assert codes(None, Saturation(87, TWO)) == ["spo2_below_target"]
    assert codes(None, Saturation(88, TWO)) == []
    assert codes(None, Saturation(85, TWO)) == ["spo2_stop"]
    assert codes(None, Saturation(86, TWO)) == ["spo2_below_target"]
    assert codes(None, Saturation(87, UNKNOWN)) == ["spo2_below_target"]


def test_without_a_range_there_is_no_silent_default():
    assert codes(None, Saturation(70, AIR), target=None) == []


def test_at_another_oxygen_or_at_one_not_recorded_nothing_is_compared():
    for before, after in (
        (AIR, TWO),
        (UNKNOWN, UNKNOWN),
        (None, AIR),
        (TWO, OxygenGiven("nasal_cannula", 3000)),
    ):
        assert not same_oxygen(before, after)
        assert "spo2_fall" not in codes(Saturation(95, before), Saturation(90, after))
    assert not same_oxygen(OxygenGiven("ventilator"), OxygenGiven("ventilator"))
    assert same_oxygen(TWO, OxygenGiven("nasal_cannula", 2000))


@given(st.integers(50, 100), st.integers(50, 100))
def test_a_lower_value_after_never_finds_less(before, after):
    def strictness(value):
        found = codes(Saturation(before, AIR), Saturation(value, AIR))
        return (
            "spo2_stop" in found,
            "spo2_below_target" in found or "spo2_stop" in found,
            "spo2_fall" in found,
        )

    assert all(
        lower >= higher for lower, higher in zip(strictness(after - 1), strictness(after), strict=True)
    )


def test_pulse_and_breathing_limits_are_for_adults_only():
    # Heart rate 40 to 130 and respiratory rate 5 to 40 by analogy with intensive-care mobilisation (review 2020,
    # tables 5-6, second hand); never below 16 years without an age band set by the clinic.
    assert [one.code for one in rate_findings(131, 41, 40, "after")] == [
        "pulse_outside",
        "respiratory_rate_outside",
    ]
    assert rate_findings(130, 40, 40, "after") == ()
    assert rate_findings(39, None, 16, "before")
    assert rate_findings(200, 80, 15, "after") == ()
    assert rate_findings(200, 80, None, "after") == ()


def test_blood_falls_into_the_published_classes_and_unknown_amount_into_the_worst():
    # CF Foundation guideline on haemoptysis, 2010: scant under 5 mL, massive over 240 mL in 24 hours.
    cases = {
        ("none", None): None,
        ("old", None): None,
        ("streaks", None): "haemoptysis_scant",
        ("fresh", 4): "haemoptysis_scant",
        ("fresh", 5): "haemoptysis_5_to_240",
        ("fresh", 240): "haemoptysis_5_to_240",
        ("fresh", 241): "haemoptysis_massive",
        ("fresh", None): "haemoptysis_fresh_amount_unknown",  # common practice, no source
    }
    assert {case: blood_condition(*case) for case in cases} == cases


def test_what_is_found_at_the_bedside_answers_rows_that_the_table_has():
    rows = set(rule_table().conditions)
    found = conditions_found(content.ADVERSE_EVENTS, "fresh", None)
    assert set(found) <= rows
    assert "pneumothorax_suspected_or_tension" in found
    assert conditions_found(("bleeding",), "", None) == ("haemoptysis_fresh_amount_unknown",)
    assert conditions_found(("swallowed_air", "other"), "none", None) == ()


def test_the_dose_that_counts_is_sets_or_what_stands_for_them():
    nothing = dict.fromkeys(("sets", "minutes", "positions", "cycles", "breaths_per_set"))
    dose = dose_of({**nothing, "sets": 3, "breaths_per_set": 10}, {"sets": 2, "breaths_per_set": 10})
    assert (dose.unit, dose.ordered, dose.done, delivered_word(dose)) == ("sets", 3, 2, "part")
    assert dose_of({**nothing, "minutes": 20}, {"minutes": 25}).unit == "minutes"
    assert dose_of(nothing, {}) is None
    assert [delivered_word(dose_of({"sets": 3}, {"sets": done})) for done in (None, 0, 1, 3, 4)] == [
        None, "not_delivered", "part", "full", "full",
    ]  # fmt: skip


def test_every_reason_stands_in_one_of_the_groups_that_figures_know():
    groups = {group.value for group in ReasonGroup} - {"not_recorded"}
    assert {reason.group for reason in REASONS.values()} == groups
    for given_kind in ("for_not_given", "for_part"):
        assert any(getattr(reason, given_kind) for reason in REASONS.values())


def test_every_word_of_the_payload_has_words_on_pages():
    for values, said in (
        (content.DELIVERED, words.DELIVERED),
        (content.DELIVERED_BY, words.DELIVERED_BY),
        (content.OXYGEN_DEVICES, words.OXYGEN),
        (content.SPUTUM_STATES, words.SPUTUM),
        (content.SPUTUM_METHODS, words.METHOD),
        (content.CONSISTENCIES, words.CONSISTENCY),
        (content.BLOOD_SEEN, words.BLOOD),
        (content.EXHALATIONS, words.EXHALATION),
        (content.TOLERANCES, words.TOLERANCE),
        (content.ADVERSE_EVENTS, words.ADVERSE_EVENTS),
        ((1, 2, 3, 4), words.COLOUR),
    ):
        assert tuple(said) == tuple(values)


def test_oxygen_is_said_with_its_device_and_amount():
    assert words.oxygen("nasal_cannula", 2000, None) == "Nasal cannula, 2 L/min"
    assert words.oxygen("nasal_cannula", 500, None) == "Nasal cannula, 0.5 L/min"
    assert words.oxygen("venturi_mask", None, 35) == "Venturi mask, FiO2 35 %"
    assert words.oxygen("unknown", None, None) == "Oxygen not recorded"
