"""Storing vital signs, exhalations and forced breathing tests: once, with author and time, never half-true."""

from datetime import timedelta

import pytest
from django.utils import timezone

from clinic import records
from clinic.access import NotPermitted
from clinic.ids import new_id
from clinic.measurements import services as measurements
from clinic.measurements.services import Value
from clinic.models import AuditEvent, Measurement, MeasurementSet, RecordVersion
from clinic.records import Refused, ShapeViolation
from screening.models import ForcedTestCheck
from screening.numbers import forced, services

pytestmark = pytest.mark.django_db
AIR = {"oxygen_device": "air"}
ALL_NO = {row.key: "no" for row in forced.rows()}


def signs(*, spo2=97, **more):
    return [
        Value("respiratory_rate_per_min", more.get("rate", 16)),
        Value("spo2_percent", spo2, **more.get("oxygen", AIR)),
        Value("systolic_mmhg", more.get("systolic", 120)),
        Value("pulse_per_min", more.get("pulse", 70)),
        Value("temperature_tenths_c", more.get("temperature", 370)),
    ]


def record(world, cast, **more):
    given = {
        "patient": world.mosswater,
        "by": cast.therapist,
        "measured_at": timezone.now(),
        "values": signs(),
    }
    return services.record_vital_signs(**(given | {"consciousness": "A", "pregnant": False} | more))


def test_a_set_is_stored_with_each_value_its_oxygen_author_and_time(world, cast):
    row = record(world, cast)
    assert {each.kind for each in row.measurements.all()} == set(services.VITAL_SIGNS)
    saturation = Measurement.objects.get(kind="spo2_percent")
    assert (saturation.oxygen_device, saturation.by, saturation.taken_with) == ("air", cast.therapist, row)
    assert (
        AuditEvent.objects.filter(action="vital signs recorded", patient_id=world.mosswater.pk).count() == 1
    )


def test_the_same_set_sent_twice_is_stored_once(world, cast):
    set_id = new_id()
    assert record(world, cast, set_id=set_id) == record(world, cast, set_id=set_id)
    assert MeasurementSet.objects.count() == 1
    assert Measurement.objects.count() == 5


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ([Value("spo2_percent", 97)], "oxygen_device"),
        ([Value("spo2_percent", 97, oxygen_device="nasal_cannula")], "oxygen_flow"),
        ([Value("spo2_percent", 97, oxygen_device="air", oxygen_flow_ml_per_min=2000)], "oxygen_flow"),
        ([Value("pulse_per_min", 70, oxygen_device="air")], "oxygen_device"),
        ([Value("spo2_percent", 101, oxygen_device="air")], "spo2_percent"),
        ([Value("temperature_tenths_c", 37)], "temperature_tenths_c"),
        ([Value("fev1_ml", 2000)], "fev1_ml"),
        ([], "values"),
    ],
)
def test_a_value_that_cannot_be_or_spo2_without_its_oxygen_is_refused(world, cast, values, field):
    with pytest.raises(Refused) as refused:
        record(world, cast, values=values, consciousness="")
    assert refused.value.field == field
    assert not MeasurementSet.objects.exists()


def test_a_time_in_the_future_is_refused(world, cast):
    with pytest.raises(Refused, match="past"):
        record(world, cast, measured_at=timezone.now() + timedelta(minutes=5))


def test_only_whoever_treats_the_patient_enters_numbers(world, cast):
    for person in (cast.outsider, cast.colleague, cast.manager, cast.administrator):
        with pytest.raises(NotPermitted):
            record(world, cast, by=person)


def test_a_struck_set_keeps_what_it_said_and_counts_nowhere(world, cast):
    row = record(world, cast)
    measurements.strike(row, by=cast.lead, reason="Wrong patient", expect_version=1)
    assert MeasurementSet.objects.get().entered_in_error
    assert not Measurement.objects.filter(entered_in_error=False).exists()
    assert RecordVersion.objects.filter(subject_id=str(row.pk)).get().reason == "Wrong patient"
    with pytest.raises(Refused):
        measurements.strike(MeasurementSet.objects.get(), by=cast.lead, reason="Again", expect_version=2)


def test_a_set_that_somebody_else_changed_meanwhile_is_not_struck_unseen(world, cast):
    row = record(world, cast)
    with pytest.raises(records.Changed):
        measurements.strike(row, by=cast.lead, reason="Wrong", expect_version=2)


def test_a_set_is_never_changed_in_place(world, cast):
    row = record(world, cast)
    row.consciousness = "U"
    with pytest.raises(ShapeViolation):
        row.save()


@pytest.mark.parametrize("left_out", services.EXHALATION)
def test_time_or_volume_alone_gives_no_range_and_is_refused(world, cast, left_out):
    values = [Value("exhaled_volume_ml", 750), Value("exhalation_time_tenths_s", 40)]
    with pytest.raises(Refused) as refused:
        services.record_exhalation(
            by=cast.therapist, patient=world.mosswater, measured_at=timezone.now(),
            values=[each for each in values if each.kind != left_out],
        )  # fmt: skip
    assert refused.value.field == left_out


def forced_test(world, cast, **more):
    given = {
        "patient": world.mosswater, "by": cast.therapist, "measured_at": timezone.now(), "answers": ALL_NO,
        "values": [Value("peak_cough_flow_l_per_min", 240)],
    }  # fmt: skip
    return services.record_forced_test(**(given | more))


def test_a_forced_test_keeps_the_answers_to_its_list(world, cast):
    row = forced_test(world, cast)
    check = ForcedTestCheck.objects.get()
    assert (check.taken_with, check.answers, check.by) == (row, ALL_NO, cast.therapist)
    assert (check.decided_by, check.reason) == (None, "")
    assert check.list_version == forced.VERSION


@pytest.mark.parametrize("answer", ["yes", "unknown", None])
def test_a_yes_or_an_unknown_wants_a_licensed_clinicians_reason(world, cast, answer):
    answers = {key: no for key, no in ALL_NO.items() if key != "aneurysm"} | (
        {"aneurysm": answer} if answer else {}
    )
    with pytest.raises(Refused) as refused:
        forced_test(world, cast, answers=answers)
    assert refused.value.field == "reason"
    assert not MeasurementSet.objects.exists()
    forced_test(world, cast, answers=answers, reason="Small, stable for years; needed for the device")
    check = ForcedTestCheck.objects.get()
    assert check.decided_by == cast.therapist
    assert check.answers["aneurysm"] == (answer or "unknown")


def test_an_unlicensed_account_cannot_give_that_reason(world, cast):
    with pytest.raises(Refused, match="licensed clinician"):
        forced_test(
            world, cast, patient=world.thistledown, by=cast.colleague, answers=ALL_NO | {"aneurysm": "yes"},
            reason="I think it is fine",
        )  # fmt: skip
    assert forced_test(world, cast, patient=world.thistledown, by=cast.colleague)


def test_a_cough_flow_is_entered_in_one_unit_only(world, cast):
    both = [Value("peak_cough_flow_l_per_min", 240), Value("peak_cough_flow_ml_per_s", 4000)]
    with pytest.raises(Refused, match="once"):
        forced_test(world, cast, values=both)
