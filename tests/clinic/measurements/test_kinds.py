"""Measurement kinds: what can be true, what is asked about."""

from decimal import Decimal

import pytest

from clinic.measurements.kinds import KINDS, OutOfRangeError, UnknownKindError, check, kind


def test_every_soft_range_lies_within_its_hard_range_and_every_step_too() -> None:
    for measured in KINDS.values():
        low, high = measured.hard
        assert low < high, measured.name
        assert measured.soft is None or low <= measured.soft[0] < measured.soft[1] <= high, measured.name
        assert all(low <= step <= high for step in measured.steps), measured.name
        assert len(measured.name) <= 32


def test_an_oxygen_saturation_above_100_percent_cannot_be_true() -> None:
    """A saturation is a share of 100 % (definition; LOINC 59408-5, unit %)."""
    assert check("spo2_percent", 94)
    with pytest.raises(OutOfRangeError, match="SpO2 must be between 50 and 100 %"):
        check("spo2_percent", 101)


def test_the_borg_scale_has_its_twelve_published_values_and_no_other() -> None:
    """NINDS Common Data Elements, Borg Dyspnea Scale, 2019: 0, 0.5, 1 to 10."""
    borg = kind("borg_tenths")
    assert [Decimal(step) / 10 for step in borg.steps] == [0, Decimal("0.5"), *range(1, 11)]
    assert not borg.is_possible(15)
    with pytest.raises(OutOfRangeError, match="steps"):
        check("borg_tenths", 75)


def test_a_height_of_metres_typed_as_centimetres_is_refused() -> None:
    with pytest.raises(OutOfRangeError):
        check("height_mm", 17)


def test_a_possible_but_unusual_value_is_told_apart() -> None:
    assert not check("pulse_per_min", 170)


def test_an_unknown_kind_is_named_with_those_there_are() -> None:
    with pytest.raises(UnknownKindError, match="spo2_percent"):
        kind("steps_per_day")
