"""The rules of a recorded treatment against what is published; unknown stays unknown."""

from screening.table import current as rule_table
from therapy.outcomes.rules import ReasonGroup
from therapy.sessions import content, words
from therapy.sessions.rules import (
    REASONS,
    blood_condition,
    conditions_found,
    delivered_word,
    dose_of,
)


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
