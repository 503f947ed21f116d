"""Figures against published values and reference implementations; the source stands by each."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from screening.measures import Range, device_range, peak_cough_flow
from therapy.outcomes.response import quantile
from therapy.outcomes.rules import Band, band, proportion


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    # Newcombe, Two-sided confidence intervals for the single proportion, Stat Med 1998;17:857, table I,
    # method 3 (score, without continuity correction). From memory; scipy below agrees.
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_intervals_are_those_printed_by_newcombe(successes, trials, low, high):
    found = proportion(successes, trials)
    assert found.wilson_low == pytest.approx(low, abs=0.00005)
    assert found.wilson_high == pytest.approx(high, abs=0.00005)


@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_intervals_are_those_of_scipy(case):
    # Reference library: scipy.stats.binomtest(...).proportion_ci(method="wilson").
    successes, trials = case
    reference = binomtest(successes, trials).proportion_ci(confidence_level=0.95, method="wilson")
    found = proportion(successes, trials)
    assert found.wilson_low == pytest.approx(reference.low, abs=1e-12)
    assert found.wilson_high == pytest.approx(reference.high, abs=1e-12)
    assert 0 <= found.wilson_low <= found.share <= found.wilson_high <= 1


@pytest.mark.parametrize(
    ("litres_a_second", "litres_a_minute", "below_160", "below_270"),
    # Bach, Chest 1993, PubMed 8222823: means unassisted, after air stacking, with manual assistance, with
    # MI-E.
    [
        ("1.81", "108.6", True, True),
        ("3.37", "202.2", False, True),
        ("4.27", "256.2", False, True),
        ("7.47", "448.2", False, False),
    ],
)
def test_the_published_cough_flows_fall_in_their_bands(
    litres_a_second, litres_a_minute, below_160, below_270
):
    found = peak_cough_flow(age_years=30, flow_l_per_s=Decimal(litres_a_second))
    assert found.flow_l_per_min == Fraction(litres_a_minute)
    assert (found.below_160, found.below_270) == (below_160, below_270)


@pytest.mark.parametrize(
    ("volume_ml", "time_s", "flow", "expected"),
    # Common practice, no source: 15 L/min parts the ranges, an exhalation lasts at least 3 s; 0.75 L over 3
    # s is 15.
    [
        (750, 3, 15, Range.REPEAT),
        (900, Decimal("3.6"), 15, Range.REPEAT),
        (901, Decimal("3.6"), Fraction(901, 60), Range.HIGH_FLOW),
        (899, Decimal("3.6"), Fraction(899, 60), Range.LOW_FLOW),
        (1500, 4, Fraction(45, 2), Range.HIGH_FLOW),
        (600, 4, 9, Range.LOW_FLOW),
        (600, Decimal("2.99"), Fraction(3600, 299), Range.REPEAT),
        (2000, 2, 60, Range.REPEAT),
    ],
)
def test_a_measured_exhalation_leads_to_the_range_practice_names(volume_ml, time_s, flow, expected):
    found = device_range(exhaled_volume_ml=volume_ml, exhalation_time_s=time_s)
    assert (found.mean_flow_l_per_min, found.range) == (flow, expected)
    assert found.hints


def test_the_printed_adherence_bands_have_no_gaps_here():
    # Printed: low under 35, moderate 36 to 79, high over 80 % (device-log study, evidence of adherence);
    # 35, 79 to 80 and 80 fall between. Here each share has one band.
    assert band(Fraction(3499, 10000)) is Band.LOW
    assert band(Fraction(35, 100)) is Band.MODERATE
    assert band(Fraction(79999, 100000)) is Band.MODERATE
    assert band(Fraction(4, 5)) is Band.HIGH
    assert band(Fraction(6, 5)) is Band.HIGH


@given(st.lists(st.integers(0, 500), min_size=1, max_size=40), st.sampled_from([0.25, 0.5, 0.75]))
def test_quantiles_are_those_of_numpy(values, share):
    # Reference library: numpy.percentile, linear, definition 7 of Hyndman and Fan (Am Stat 1996;50:361).
    numpy = pytest.importorskip("numpy")
    ours = quantile(sorted(map(Fraction, values)), Fraction(share))
    assert float(ours) == pytest.approx(float(numpy.percentile(values, share * 100)))
