"""What follows a recorded treatment: signature, amendment, striking, and the marks on the referral."""

from datetime import timedelta

import pytest

from clinic.access import NotPermitted
from clinic.measurements.models import Measurement
from clinic.models import AccessGrant, Flag, RecordVersion, Referral
from clinic.records import Changed, Refused
from tests.conftest import NOW, make_person
from tests.therapy.sessions.samples import (
    START,
    done,
    event,
    make_order,
    make_window,
    measured,
    payload,
)
from therapy.sessions import services
from therapy.sessions.models import AdverseEvent, TreatmentSession
from therapy.sessions.parts import payload_of
from therapy.sessions.payload import as_json

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


@pytest.fixture
def order(world, cast, screened):
    screened(world.mosswater, at=START - timedelta(minutes=5))
    return make_order(world.mosswater, cast.therapist)


def sent(order, person, **changes):
    return payload(order.patient_id, person.pk, order=str(order.pk), **changes)


def flags(kind):
    return list(Flag.objects.filter(kind=kind))


# Students


def test_a_students_treatment_waits_for_the_signature_of_a_licensed_clinician(cast, order):
    student = make_person("fernway", "therapist", profession="student")
    AccessGrant.objects.create(person=student, patient=order.patient, why="covering", from_at=START)
    treatment = services.record(by=student, payload=sent(order, student, delivered_by="student")).treatment
    assert treatment.needs_signature
    assert flags("co_sign")[0].due_at == NOW + timedelta(hours=24)
    with pytest.raises(NotPermitted):
        services.sign(by=student, treatment=treatment, expect_version=1)
    signed = services.sign(by=cast.therapist, treatment=treatment, expect_version=1)
    assert (signed.signed_by, flags("co_sign")[0].state) == (cast.therapist, "closed")
    with pytest.raises(Refused):
        services.sign(by=cast.therapist, treatment=treatment, expect_version=2)
    changed = {**as_json(payload_of(signed)), "notes": "one more huff"}
    amended = services.amend(
        by=cast.therapist, treatment=signed, payload=changed, reason="left out", expect_version=2
    )
    assert amended.signed_by is None
    assert Flag.objects.filter(kind="co_sign", state="open").count() == 1


# Amending and striking


def test_an_amendment_keeps_the_older_version_of_the_treatment_and_of_its_measurements(cast, order):
    treatment = services.record(by=cast.therapist, payload=sent(order, cast.therapist)).treatment
    said = as_json(payload_of(treatment))
    said["measurements"] = [
        {**each, "value": 96} if each["moment"] == "after" else each for each in said["measurements"][:-1]
    ]
    said["sputum"] = {**said["sputum"], "volume_tenths_ml": 80}
    amended = services.amend(
        by=cast.therapist, treatment=treatment, payload=said, reason="misread", expect_version=1
    )
    assert (amended.version, amended.sputum_volume_tenths_ml) == (2, 80)
    older = RecordVersion.objects.get(subject_type="therapy.treatmentsession")
    assert (older.values["sputum_volume_tenths_ml"], older.reason) == (60, "misread")
    assert Measurement.objects.get(moment="after", kind="spo2_percent").value == 96
    dropped = Measurement.objects.filter(entered_in_error=True)
    assert dropped.count() == 1
    versions = RecordVersion.objects.filter(subject_type="clinic.measurement")
    assert versions.count() == 2


def test_an_amendment_that_changes_nothing_writes_nothing(cast, order):
    treatment = services.record(by=cast.therapist, payload=sent(order, cast.therapist)).treatment
    same = services.amend(
        by=cast.therapist, treatment=treatment, payload=payload_of(treatment), reason="x", expect_version=1
    )
    assert same.version == 1
    assert not RecordVersion.objects.exists()


def test_an_amendment_over_a_changed_record_is_refused_and_shows_what_it_is_now(cast, order):
    treatment = services.record(by=cast.therapist, payload=sent(order, cast.therapist)).treatment
    said = as_json(payload_of(treatment))
    first = {**said, "notes": "first"}
    services.amend(by=cast.therapist, treatment=treatment, payload=first, reason="a", expect_version=1)
    with pytest.raises(Changed) as changed:
        services.amend(
            by=cast.lead, treatment=treatment, payload={**said, "notes": "b"}, reason="b", expect_version=1
        )
    assert changed.value.current.notes == "first"


def test_a_part_that_is_put_right_to_full_moves_its_window(cast, order):
    window = make_window(order)
    part = sent(order, cast.therapist, delivered="part", reason="too_tired", done=done(sets=2))
    treatment = services.record(by=cast.therapist, payload=part).treatment
    window.refresh_from_db()
    assert (window.state, window.reason_group) == ("part", "patient")
    full = {**as_json(payload_of(treatment)), "delivered": "full", "reason": None, "done": done(sets=3)}
    services.amend(
        by=cast.therapist, treatment=treatment, payload=full, reason="counted wrong", expect_version=1
    )
    window.refresh_from_db()
    assert (window.state, window.reason_group) == ("full", "")


def test_a_record_for_the_wrong_patient_is_struck_there_and_filed_here(cast, order, world):
    window = make_window(order)
    wrong = services.record(
        by=cast.therapist, payload=sent(order, cast.therapist, adverse_events=[event("nausea")])
    ).treatment
    moved = {**as_json(payload_of(wrong)), "patient": str(world.pebblebrook.pk)}
    with pytest.raises(Refused, match="stays with its patient"):
        services.amend(by=cast.therapist, treatment=wrong, payload=moved, reason="x", expect_version=1)
    services.strike_entered_in_error(by=cast.therapist, treatment=wrong, reason="wrong bed", expect_version=1)
    window.refresh_from_db()
    assert window.state == "open"
    assert TreatmentSession.objects.get(pk=wrong.pk).entered_in_error
    assert not Measurement.objects.filter(treatment_id=wrong.pk, entered_in_error=False).exists()
    assert not AdverseEvent.objects.filter(entered_in_error=False).exists()
    assert not Flag.objects.filter(subject_id=str(wrong.pk)).exclude(state="closed").exists()
    right = payload(world.pebblebrook.pk, cast.therapist.pk)
    assert services.record(by=cast.therapist, payload=right).outcome == "recorded"


# The referral


def test_first_seen_and_first_treated_follow_the_treatments(cast, order, world):
    referral = Referral.objects.create(
        patient=world.mosswater, source="written", urgency="soon", reason="sputum", referrer="Dr Larkspur",
        received_at=START - timedelta(days=2), outcome="accepted",
    )  # fmt: skip
    late = sent(order, cast.therapist)
    services.record(by=cast.therapist, payload=late)
    referral.refresh_from_db()
    assert (referral.first_treated_at, referral.first_seen_at) == (START, START)
    earlier = START - timedelta(hours=5)
    first = services.record(
        by=cast.therapist,
        payload=sent(order, cast.therapist, started_at=earlier.isoformat(), ended_at=None),
    ).treatment
    referral.refresh_from_db()
    assert (referral.first_treated_at, referral.first_seen_at) == (earlier, earlier)
    services.strike_entered_in_error(by=cast.therapist, treatment=first, reason="not done", expect_version=1)
    referral.refresh_from_db()
    assert referral.first_treated_at == START


def test_measurements_carry_the_answer_where_a_value_was_unusual(cast, order):
    slow = measured("pulse_per_min", "before", 36, None, "athlete")
    services.record(by=cast.therapist, payload=sent(order, cast.therapist, measurements=[slow]))
    assert Measurement.objects.get().confirmed_reason == "athlete"
