"""The dose table against the published dose facts; the source stands beside each."""

import pytest

from screening.helps import against, help_notes
from therapy.orders.doses import (
    TECHNIQUES,
    DoseField,
    dose_fields,
    inhaled_medicines,
    starting_dose,
)
from therapy.orders.rules import Lungs, OrderedMedicine, check_dose, check_inhaled


def _field(technique: str, name: str) -> DoseField:
    return next(field for field in dose_fields(technique) if field.name == name)


# (technique, field, low, high) in the stored unit.
PUBLISHED = [
    # CF Foundation, PEP, and hospital PEP pages: 10 to 20 breaths, 2 to 3 huffs, 3 to 8 cycles.
    ("pep", "breaths_per_set", 10, 20),
    ("pep", "huffs_per_set", 2, 3),
    ("pep", "sets", 3, 8),
    # The same: an active breath out of 3 to 4 s; sources span 3 to 6 s.
    ("pep", "exhalation_tenths_s", 30, 60),
    # AARC guideline on positive airway pressure adjuncts, Respir Care 1993;38:516: 10 to 20 cmH2O.
    ("pep", "target_pressure_cmh2o", 10, 20),
    # From memory: 10 to 20 cmH2O, 10 to 20 breaths, 4 to 6 cycles.
    ("oscillating_pep", "target_pressure_cmh2o", 10, 20),
    ("oscillating_pep", "breaths_per_set", 10, 20),
    ("oscillating_pep", "sets", 4, 6),
    # University hospital policy 3.12 (2017): 5 to 20 Hz; BMC Pulm Med 13:21: 20 to 30 min.
    ("hfcwo", "frequency_hz", 5, 20),
    ("hfcwo", "minutes", 20, 30),
    # Respir Care 2020;65:135: start at 15, and 40 is a bench setting to treat as a ceiling.
    ("mi_e", "in_pressure_cmh2o", 15, 40),
    ("mi_e", "out_pressure_cmh2o", 15, 40),
    # From memory: 4 to 6 breaths in 4 to 6 sets.
    ("mi_e", "breaths_per_set", 4, 6),
    ("mi_e", "sets", 4, 6),
    # AARC postural drainage 1991, from memory: 3 to 15 min in each position, longer if tolerated.
    ("drainage", "minutes_per_position", 3, 15),
    ("head_down_drainage", "minutes_per_position", 3, 15),
    # CF Foundation, active cycle of breathing: 10 to 30 min; autogenic drainage from memory: 20 to 45 min.
    ("breathing_techniques", "minutes", 10, 45),
    # AARC incentive spirometry 2011: hold for at least 5 s.
    ("incentive_spirometry", "hold_tenths_s", 50, None),
]


def test_ranges_are_the_published_ones() -> None:
    table = [
        (technique, name, _field(technique, name).published_low, _field(technique, name).published_high)
        for technique, name, _, _ in PUBLISHED
    ]
    assert table == PUBLISHED


STARTS = [
    # Common practice, no source: first use of an adjustable device at the lowest resistance, about 10 breaths.
    ("oscillating_pep", "resistance_setting", 1),
    ("oscillating_pep", "breaths_per_set", 10),
    ("pep", "resistance_setting", 1),
    ("pep", "breaths_per_set", 10),
    # Common practice, no source: a breath out lasts at least 3 to 4 s.
    ("oscillating_pep", "exhalation_tenths_s", 30),
    # Respir Care 2020;65:135 and others: start low (15 in, 15 out); 1.5 s in, 1.8 s out, 1.5 s pause.
    ("mi_e", "in_pressure_cmh2o", 15),
    ("mi_e", "out_pressure_cmh2o", 15),
    ("mi_e", "in_time_tenths_s", 15),
    ("mi_e", "out_time_tenths_s", 18),
    ("mi_e", "pause_tenths_s", 15),
    # Trial practice without consensus, from memory: 10 breaths hourly while awake.
    ("incentive_spirometry", "breaths_per_hour", 10),
]


def test_starting_values_are_the_published_ones() -> None:
    assert [(technique, name, starting_dose(technique)[name]) for technique, name, _ in STARTS] == STARTS


def test_every_technique_has_a_dose_whose_starting_values_pass_without_a_question() -> None:
    for technique in TECHNIQUES:
        check = check_dose(technique, starting_dose(technique), first_use=True)
        assert check.outcome == "ok", (technique, check.findings)


def test_every_number_has_hard_limits_round_its_published_range_and_every_fact_its_source() -> None:
    for technique in TECHNIQUES:
        for field in dose_fields(technique):
            assert field.source
            assert field.mark in {"S", "S2", "H", "M", "L"}
            if field.is_number:
                edges = [field.hard_low, field.published_low, field.published_high, field.hard_high]
                assert edges[0] is not None, (technique, field.name)
                assert edges[-1] is not None, (technique, field.name)
                known = [edge for edge in edges if edge is not None]
                assert known == sorted(known), (technique, field.name)
            else:
                assert field.choices


def test_the_settings_of_the_intensive_care_study_ask_and_more_than_that_is_refused() -> None:
    # Intensive Care Med Exp 2018;6:8: +50 cmH2O for 3 s, -45 cmH2O for 4 s.
    study = {**starting_dose("mi_e"), "in_pressure_cmh2o": 50, "out_pressure_cmh2o": 45}
    assert check_dose("mi_e", {**study, "in_time_tenths_s": 30, "out_time_tenths_s": 40}).outcome == "ask"
    assert check_dose("mi_e", {**study, "in_pressure_cmh2o": 51}).outcome == "refused"


SEQUENCE = [("bronchodilator", "before"), ("hypertonic_saline", "before"), ("dornase", "before")]
AFTERWARDS = [("inhaled_antibiotic", "after"), ("inhaled_steroid", "after")]
WITH_CF = Lungs(cystic_fibrosis="yes", bronchiectasis="yes", coughing_blood="no")


def _ordered(*medicines: tuple[str, str]) -> list[OrderedMedicine]:
    return [OrderedMedicine(kind, timing) for kind, timing in medicines]


def test_the_published_sequence_of_inhaled_medicines_passes_and_another_one_asks() -> None:
    # Hospital patient pages: bronchodilator, saline, dornase, clearance, antibiotic, steroid.
    assert list(inhaled_medicines()) == [kind for kind, _ in SEQUENCE + AFTERWARDS]
    assert check_inhaled(_ordered(*SEQUENCE, *AFTERWARDS), WITH_CF, technique="pep").outcome == "ok"
    for wrong in (
        _ordered(SEQUENCE[1], SEQUENCE[0]),
        _ordered(AFTERWARDS[1], AFTERWARDS[0]),
        _ordered(AFTERWARDS[0], SEQUENCE[0]),
        _ordered(("inhaled_antibiotic", "before")),
    ):
        assert check_inhaled(wrong, WITH_CF, technique="pep").outcome == "ask"


def test_a_bronchodilator_is_taken_10_to_15_minutes_before() -> None:
    # Hospital patient page: 10 to 15 min before clearance.
    for minutes, outcome in ((9, "ask"), (10, "ok"), (15, "ok"), (16, "ask")):
        medicine = OrderedMedicine("bronchodilator", "before", minutes)
        assert check_inhaled([medicine], WITH_CF, technique="pep").outcome == outcome


@pytest.mark.parametrize(
    ("cystic_fibrosis", "bronchiectasis", "outcome"),
    [
        ("yes", "yes", "ok"),
        ("no", "yes", "refused"),
        ("unknown", "yes", "refused"),
        ("unknown", "unknown", "ask"),
        ("no", "unknown", "ask"),
        ("no", "no", "ok"),
    ],
)
def test_dornase_is_never_ordered_in_bronchiectasis_without_cystic_fibrosis(
    cystic_fibrosis: str, bronchiectasis: str, outcome: str
) -> None:
    # AARC guideline on pharmacologic airway clearance 2015.
    lungs = Lungs(cystic_fibrosis, bronchiectasis, "no")  # type: ignore[arg-type]
    assert check_inhaled(_ordered(("dornase", "before")), lungs, technique="pep").outcome == outcome


def test_nothing_is_inhaled_while_the_patient_coughs_blood_and_unknown_is_not_no() -> None:
    # Hospital patient page: pauses dornase, saline, clearance and inhaled antibiotic, and calls.
    for blood, outcome in (("yes", "refused"), ("unknown", "ask"), ("no", "ok")):
        lungs = Lungs("no", "no", blood)  # type: ignore[arg-type]
        assert (
            check_inhaled(_ordered(("bronchodilator", "before")), lungs, technique="pep").outcome == outcome
        )


def test_saline_and_a_mouthpiece_alternate() -> None:
    # Hospital page, second hand: not through mouthpiece PEP at the same moment.
    during = _ordered(("hypertonic_saline", "during"))
    assert check_inhaled(during, WITH_CF, technique="pep").outcome == "ask"
    assert check_inhaled(during, WITH_CF, technique="breathing_techniques").outcome == "ok"


def test_published_statements_on_whether_it_helps_are_found_by_technique_and_diagnosis() -> None:
    # NICE cystic fibrosis 2017: chest wall oscillation only in exceptional cases.
    assert any("exceptional" in note.words for note in help_notes("hfcwo", "cystic_fibrosis"))
    # AARC 2013: PEP and chest wall oscillation not supported in neuromuscular disease, cough assistance is.
    assert any("does not support" in note.words for note in help_notes("pep", "neuromuscular"))
    assert any("270 L/min" in note.words for note in help_notes("mi_e", "neuromuscular"))
    assert not any("does not support" in note.words for note in help_notes("mi_e", "neuromuscular"))


# AARC 2013 (uncomplicated pneumonia, COPD, neuromuscular, after surgery), NICE cystic fibrosis 2017; evidence, note g.
@pytest.mark.parametrize(
    ("technique", "group", "expected"),
    [
        ("drainage", "pneumonia", True),
        ("oscillating_pep", "copd", True),
        ("pep", "neuromuscular", True),
        ("hfcwo", "neuromuscular", True),
        ("mi_e", "neuromuscular", False),
        ("assisted_cough", "neuromuscular", False),
        ("hfcwo", "cystic_fibrosis", True),
        ("pep", "cystic_fibrosis", False),
        ("incentive_spirometry", "post_operative", True),
        ("oscillating_pep", "bronchiectasis", False),
        ("drainage", "bronchiectasis", False),
        ("pep", "other", False),
    ],
)
def test_what_is_published_against_a_technique_is_told_from_what_is_only_said_of_it(
    technique: str, group: str, expected: bool
) -> None:
    assert bool(against(technique, group)) is expected
