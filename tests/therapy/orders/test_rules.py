"""What a dose check says, field by field."""

from therapy.orders.doses import TECHNIQUES, counted_columns, dose_fields, starting_dose
from therapy.orders.rules import check_dose, published_range, words_for


def _with(technique: str, **changes: object) -> dict[str, object]:
    return {**starting_dose(technique), **changes}


def _messages(technique: str, **changes: object) -> list[str]:
    return [finding.message for finding in check_dose(technique, _with(technique, **changes)).findings]  # type: ignore[arg-type]


def test_every_value_of_every_number_is_refused_asked_about_or_taken_by_its_own_limits() -> None:
    for technique in TECHNIQUES:
        for field in dose_fields(technique):
            if not field.is_number or field.name == "minutes_per_position":
                continue
            assert field.hard_low is not None
            assert field.hard_high is not None
            for value in range(field.hard_low - 2, field.hard_high + 3):
                outcome = check_dose(technique, _with(technique, **{field.name: value})).outcome  # type: ignore[arg-type]
                if not field.hard_low <= value <= field.hard_high:
                    assert outcome == "refused", (technique, field.name, value)
                else:
                    low = field.published_low if field.published_low is not None else value
                    high = field.published_high if field.published_high is not None else value
                    expected = "ok" if low <= value <= high else "ask"
                    assert outcome == expected, (technique, field.name, value)


def test_a_refusal_names_the_field_and_its_range() -> None:
    assert _messages("pep", target_pressure_cmh2o=60) == ["Target pressure must be from 5 to 30 cmH2O."]
    assert _messages("pep", sets=None) == ["Enter sets."]
    assert _messages("pep", exhalation_tenths_s=5) == ["Breath out lasts must be from 1 to 10 s."]


def test_a_question_names_the_value_and_the_published_range() -> None:
    assert _messages("pep", target_pressure_cmh2o=25) == [
        "Target pressure 25 cmH2O is above the published range of 10 to 20 cmH2O."
    ]
    assert _messages("incentive_spirometry", hold_tenths_s=35) == [
        "Hold each breath 3.5 s is below the published range of at least 5 s."
    ]


def test_a_first_use_above_the_lowest_resistance_is_asked_about_and_a_later_one_is_not() -> None:
    dose = _with("oscillating_pep", resistance_setting=3)
    assert check_dose("oscillating_pep", dose, first_use=True).outcome == "ask"  # type: ignore[arg-type]
    assert check_dose("oscillating_pep", dose).outcome == "ok"  # type: ignore[arg-type]


def test_a_field_of_another_technique_and_an_unknown_technique_are_refused() -> None:
    assert check_dose("pep", {**starting_dose("pep"), "frequency_hz": 10}).refused[0].field == "frequency_hz"
    assert check_dose("suction", {}).refused[0].field == "technique"


def test_choices_come_from_the_list_once_each() -> None:
    assert _messages("drainage", positions=["head_down"]) == ["Choose positions from the list."]
    assert _messages("drainage", positions=["prone", "prone"]) == ["Choose positions from the list."]
    assert _messages("mi_e", interface="helmet") == ["Choose interface from the list."]
    assert _messages("drainage", positions="prone") == ["Choose positions from the list."]


def test_a_drainage_of_more_than_forty_minutes_in_all_is_asked_about() -> None:
    assert _messages("drainage", positions=["prone", "supine"], minutes_per_position=15) == []
    longer = _messages("drainage", positions=["prone", "supine", "upright"], minutes_per_position=15)
    assert longer == ["3 positions of 15 min are 45 min in all; usual are 20 to 40 min."]


def test_an_order_keeps_in_columns_what_a_part_delivery_is_measured_against() -> None:
    assert counted_columns("pep", starting_dose("pep")) == {"breaths_per_set": 10, "sets": 3}
    assert counted_columns("drainage", starting_dose("drainage")) == {"positions": 2, "minutes": 10}
    assert counted_columns("breathing_techniques", starting_dose("breathing_techniques")) == {
        "cycles": 3,
        "minutes": 10,
    }


def test_values_and_ranges_are_written_with_their_unit_and_no_trailing_zero() -> None:
    fields = {field.name: field for technique in ("pep", "drainage") for field in dose_fields(technique)}
    assert words_for(fields["exhalation_tenths_s"], 35) == "3.5 s"
    assert words_for(fields["exhalation_tenths_s"], 40) == "4 s"
    assert words_for(fields["positions"], ["left_side", "prone"]) == "On the left side, On the front"
    assert words_for(fields["sets"], None) == "Not recorded"
    assert published_range(fields["resistance_setting"]) == "no published range"
