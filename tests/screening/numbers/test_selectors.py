"""What is read of measured numbers: the score with its scale, the range, the cough flow, and each figure's input."""

import json
from datetime import timedelta
from fractions import Fraction
from io import StringIO

import pytest
from django.core.management import call_command
from django.utils import timezone

from clinic import records
from clinic.limits import selectors as limits
from clinic.limits import services as limit_services
from clinic.measurements.services import Value
from clinic.models import SpO2Scale
from clinic.patients import services as patients
from screening.measures import Range
from screening.news2 import Band
from screening.numbers import forced, selectors, services
from tests.screening.numbers.test_services import record, signs
from therapy import calculate
from therapy.calculations import REGISTRY
from therapy.reports.figure_ids import UnknownFigureError, input_of

pytestmark = pytest.mark.django_db
ON_TWO = {"oxygen_device": "nasal_cannula", "oxygen_flow_ml_per_min": 2000}
# 2+2+2+1+1+0+1 by the chart of the Royal College of Physicians, 2017, on scale 1; one less on scale 2.
WORSE = {"spo2": 93, "rate": 22, "systolic": 105, "pulse": 95, "temperature": 382, "oxygen": ON_TWO}


def newest(world):
    return selectors.vital_signs(world.mosswater)[0]


def scale_two(world, cast):
    patients.set_spo2_target(world.mosswater, by=cast.therapist, low_percent=88, high_percent=92)
    return limit_services.set_spo2_scale(
        world.mosswater, by=cast.therapist, scale=2, hypercapnia_confirmed=True, reason="Blood gas"
    )


def computed(figure_id):
    """What the command and the calculation make of a figure's id, by way of text, as an auditor runs them."""
    out = StringIO()
    call_command("figure_input", figure_id, stdout=out)
    case = calculate.read_json(out.getvalue(), "the text")
    name = figure_id.split("/", maxsplit=1)[0]
    answer = calculate.answer(REGISTRY[name], case)
    return json.loads(json.dumps(answer, default=str))


def test_a_complete_set_has_its_score_and_the_figure_can_be_computed_from_outside(world, cast):
    row = record(world, cast, values=signs(**WORSE))
    shown = newest(world)
    assert (shown.score.total, shown.score.band, shown.scale) == (9, Band.HIGH, 1)
    outside = computed(f"news2/set/{row.pk}")["result"]
    assert outside == {"total": 9, "points": dict(shown.score.points), "band": "high"}


def test_scale_two_counts_only_from_when_a_clinician_has_set_it(world, cast):
    early = timezone.now() - timedelta(hours=1)
    before = record(world, cast, values=signs(**WORSE), measured_at=early)
    scale_two(world, cast)
    after = record(world, cast, values=signs(**WORSE))
    now, then = selectors.vital_signs(world.mosswater)
    assert (now.score.total, now.scale) == (8, 2)
    assert (then.score.total, then.scale) == (9, 1)
    assert computed(f"news2/set/{after.pk}")["result"]["total"] == 8
    assert computed(f"news2/set/{before.pk}")["result"]["total"] == 9


def test_a_copd_label_never_sets_scale_two(world, cast):
    records.amend(
        world.mosswater, by=cast.lead, reason="test", changes={"diagnosis_group": "copd"}, expect_version=1
    )
    patients.set_spo2_target(world.mosswater, by=cast.therapist, low_percent=88, high_percent=92)
    record(world, cast, values=signs(**WORSE))
    assert not SpO2Scale.objects.exists()
    assert newest(world).scale == 1


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"consciousness": ""}, "consciousness"),
        ({"pregnant": None}, "whether the patient is pregnant"),
        ({"values": signs()[1:]}, "respiratory rate"),
        ({"values": signs(oxygen={"oxygen_device": "unknown"})}, "air or oxygen"),
        ({"values": signs()[:-1]}, "temperature"),
    ],
)
def test_an_incomplete_set_has_no_score_and_says_what_is_missing(world, cast, more, words):
    row = record(world, cast, **more)
    shown = newest(world)
    assert shown.score is None
    assert shown.why_not == f"No score: it is only computed from complete vital signs. Not recorded: {words}."
    assert {error["code"] for error in computed(f"news2/set/{row.pk}")["errors"]} == {"missing"}


def test_in_pregnancy_and_under_sixteen_there_is_no_score(world, cast):
    record(world, cast, pregnant=True)
    assert newest(world).why_not == "The score is not for use in pregnancy."
    record(world, cast, patient=world.thistledown, by=cast.colleague, pregnant=None)
    child = selectors.vital_signs(world.thistledown)[0]
    assert child.why_not == "The score is not for use under 16 years."


def said(world):
    sets = selectors.vital_signs(world.mosswater)
    return [(one.code, one.kind) for one in selectors.findings(sets, limits.watch(world.mosswater))]


def test_the_newest_signs_are_held_against_target_limits_and_the_set_before(world, cast):
    patients.set_spo2_target(
        world.mosswater, by=cast.therapist, low_percent=94, high_percent=98, stop_below_percent=88
    )
    limit_services.set_stop_limits(
        world.mosswater, by=cast.therapist, limits={"pulse_above": 110}, reason="Ward round"
    )
    record(world, cast, measured_at=timezone.now() - timedelta(hours=1))
    assert said(world) == []
    record(world, cast, values=signs(spo2=93, pulse=111, rate=41))
    assert said(world) == [
        ("spo2_below_target", "look"),
        ("spo2_fall", "look"),
        ("pulse_stop", "stop"),
        ("respiratory_rate_outside", "look"),
    ]


def test_a_fall_at_another_oxygen_is_not_told(world, cast):
    record(world, cast, measured_at=timezone.now() - timedelta(hours=1))
    record(world, cast, values=signs(spo2=90, oxygen=ON_TWO))
    assert said(world) == []


def exhaled(world, cast, volume_ml, tenths_s):
    return services.record_exhalation(
        by=cast.therapist, patient=world.mosswater, measured_at=timezone.now(),
        values=[Value("exhaled_volume_ml", volume_ml), Value("exhalation_time_tenths_s", tenths_s)],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("measured", "flow", "found"),
    # Common practice, no source: 15 L/min parts the ranges; exactly 15, or under 3 s, is measured again.
    [
        ((900, 36), Fraction(15), Range.REPEAT),
        ((750, 30), Fraction(15), Range.REPEAT),
        ((901, 36), Fraction(901, 60), Range.HIGH_FLOW),
        ((899, 36), Fraction(899, 60), Range.LOW_FLOW),
        ((2000, 29), Fraction(2000 * 600, 29 * 1000), Range.REPEAT),
        ((2000, 30), Fraction(40), Range.HIGH_FLOW),
    ],
)
def test_the_range_follows_exactly_from_what_was_measured(world, cast, measured, flow, found):
    row = exhaled(world, cast, *measured)
    shown = selectors.exhalations(world.mosswater)[0]
    assert (shown.found.mean_flow_l_per_min, shown.found.range) == (flow, found)
    assert computed(f"device-range/set/{row.pk}")["result"]["range"] == found.value


def coughed(world, cast, value, *, patient=None, by=None):
    return services.record_forced_test(
        by=by or cast.therapist, patient=patient or world.mosswater, measured_at=timezone.now(),
        values=[value], answers={row.key: "no" for row in forced.rows()},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("value", "below_160", "below_270"),
    # AARC 2013, Respir Care 58:2187; Respir Med 2022;106740: both limits mean strictly below. 2.66 L/s is 159.6 L/min.
    [
        (Value("peak_cough_flow_l_per_min", 159), True, True),
        (Value("peak_cough_flow_l_per_min", 160), False, True),
        (Value("peak_cough_flow_l_per_min", 269), False, True),
        (Value("peak_cough_flow_l_per_min", 270), False, False),
        (Value("peak_cough_flow_ml_per_s", 2660), True, True),
        (Value("peak_cough_flow_ml_per_s", 4490), False, True),
        (Value("peak_cough_flow_ml_per_s", 4500), False, False),
    ],
)
def test_a_cough_flow_is_judged_as_it_was_read_in_either_unit(world, cast, value, below_160, below_270):
    row = coughed(world, cast, value)
    found = selectors.forced_tests(world.mosswater)[0].cough.found
    assert (found.below_160, found.below_270) == (below_160, below_270)
    outside = computed(f"peak-cough-flow/set/{row.pk}")["result"]
    assert (outside["below_160"], outside["below_270"]) == (below_160, below_270)


def test_a_cough_flow_under_twelve_is_kept_and_not_judged(world, cast):
    flow = Value("peak_cough_flow_l_per_min", 120)
    row = coughed(world, cast, flow, patient=world.thistledown, by=cast.colleague)
    cough = selectors.forced_tests(world.thistledown)[0].cough
    assert cough.found is None
    assert "12 years" in cough.said
    assert computed(f"peak-cough-flow/set/{row.pk}")["errors"][0]["code"] == "not_applicable"


def test_what_was_measured_stands_beside_the_techniques_it_bears_on_and_no_others(world, cast):
    none = selectors.beside(world.mosswater, ["oscillating_pep", "mi_e", "assisted_cough", "pep"])
    assert [one.technique for one in none] == ["oscillating_pep", "mi_e", "assisted_cough"]
    assert none[0].said.startswith("No exhalation was measured")
    assert none[1].said == "No peak cough flow was measured."
    exhaled(world, cast, 600, 40)
    coughed(world, cast, Value("peak_cough_flow_l_per_min", 150))
    pep, mi_e = selectors.beside(world.mosswater, ["oscillating_pep", "mi_e"])
    assert "600 mL in 4.0 s, 9 L/min. Low-flow range" in pep.said
    assert "150 L/min. Below 160 L/min" in mi_e.said
    assert selectors.beside(world.mosswater, ["pep"]) == []


@pytest.mark.parametrize(
    "figure_id",
    ["news2/patient/x", "news2/set/x", "device-range/set/01999999-0000-7000-8000-000000000001"],
)
def test_an_id_that_names_no_set_is_refused(db, figure_id):
    with pytest.raises(UnknownFigureError):
        input_of(figure_id)


def test_sets_cost_the_same_number_of_queries_however_many_there_are(
    world, cast, django_assert_max_num_queries
):
    scale_two(world, cast)
    record(world, cast)
    with django_assert_max_num_queries(4):
        selectors.vital_signs(world.mosswater)
    for minutes in range(1, 6):
        record(world, cast, measured_at=timezone.now() - timedelta(minutes=minutes))
    with django_assert_max_num_queries(4):
        assert len(selectors.vital_signs(world.mosswater)) == 6


def test_once_another_target_range_holds_nothing_is_scored_on_scale_two(world, cast):
    """On scale 2 a saturation of 90 % on oxygen has no points, on scale 1 three (Royal College of Physicians, 2017)."""
    low = signs(**(WORSE | {"spo2": 90}))
    scale_two(world, cast)
    record(world, cast, values=low, measured_at=timezone.now())
    assert newest(world).score is not None
    patients.set_spo2_target(world.mosswater, by=cast.therapist, low_percent=94, high_percent=98)
    row = record(world, cast, values=low, measured_at=timezone.now())
    shown = newest(world)
    assert (shown.row, shown.score) == (row, None)
    assert "sets the scale again" in shown.why_not
    limit_services.set_spo2_scale(
        world.mosswater, by=cast.therapist, scale=1, hypercapnia_confirmed=False, reason="Range is 94 to 98"
    )
    record(world, cast, values=low, measured_at=timezone.now())
    assert newest(world).score.points["spo2"] == 3
