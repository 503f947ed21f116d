"""The pages of reassessment."""

from datetime import timedelta
from uuid import uuid4

import pytest
import time_machine

from clinic.jobs.running import run_job
from clinic.models import JobRun, RecordVersion
from tests.conftest import NOW
from tests.therapy.made import order
from therapy.models import Reassessment

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def frozen():
    with time_machine.travel(NOW, tick=False):
        yield


def filled(**changes):
    return {
        "reassessment_id": str(uuid4()), "at_day": "25", "at_month": "Nov", "at_year": "2026", "at_time": "09:30",
        "findings": "Clears well alone.", "still_helps": "yes", "outcome": "continue", "order": "",
    } | changes  # fmt: skip


def test_the_list_says_who_is_overdue_with_two_identifiers(world, cast, sign_in):
    order(world.mosswater, cast.lead, NOW - timedelta(hours=80))
    order(world.pebblebrook, cast.lead, NOW - timedelta(hours=60))
    page = sign_in(cast.therapist).get("/reassessment/due/").content.decode()
    assert page.index("MOSSWATER, Bryn") < page.index("PEBBLEBROOK, Ivo")
    assert "Overdue: was due Wed 25-Nov-2026 01:41" in page
    assert "204 118 553" in page
    assert "14-Mar-1958" in page


def test_a_therapist_sees_only_the_own_patients_in_the_list(world, cast, sign_in):
    order(world.mosswater, cast.lead, NOW - timedelta(hours=80))
    assert "MOSSWATER" not in sign_in(cast.colleague).get("/reassessment/due/").content.decode()


def test_the_form_records_and_returns_to_the_patients_list(world, cast, sign_in):
    order(world.mosswater, cast.lead, NOW - timedelta(hours=80))
    address = f"/patients/{world.mosswater.pk}/reassessments/new/"
    therapist = sign_in(cast.therapist)
    assert "Record reassessment for MOSSWATER, Bryn" in therapist.get(address).content.decode()
    response = therapist.post(address, filled(), follow=True)
    assert response.redirect_chain
    assert "Reassessment recorded." in response.content.decode()
    row = Reassessment.objects.get()
    assert (row.by, row.outcome, row.at) == (cast.therapist, "continue", NOW - timedelta(minutes=11))


def test_a_faulty_form_is_shown_again_as_filled_with_its_faults(world, cast, sign_in):
    address = f"/patients/{world.mosswater.pk}/reassessments/new/"
    response = sign_in(cast.therapist).post(address, filled(findings="", outcome="", at_time="23:59"))
    page = response.content.decode()
    assert response.status_code == 422
    assert "<title>Error: " in page
    assert "Enter what you found" in page
    assert 'value="23:59"' in page
    assert not Reassessment.objects.exists()


def test_sending_the_same_form_twice_records_once(world, cast, sign_in):
    address, therapist = f"/patients/{world.mosswater.pk}/reassessments/new/", sign_in(cast.therapist)
    data = filled()
    with time_machine.travel(NOW + timedelta(minutes=1), tick=False):
        therapist.post(address, data)
    with time_machine.travel(NOW + timedelta(minutes=2), tick=False):
        answer = therapist.post(address, data, follow=True)
    assert Reassessment.objects.count() == 1
    assert "already recorded" in answer.content.decode()


def test_an_order_of_another_patient_cannot_be_chosen(world, cast, sign_in):
    other = order(world.thistledown, cast.lead, NOW - timedelta(hours=9))
    address = f"/patients/{world.mosswater.pk}/reassessments/new/"
    assert sign_in(cast.therapist).post(address, filled(order=str(other.pk))).status_code == 422


def made(world, cast):
    return Reassessment.objects.create(
        patient=world.mosswater, at=NOW - timedelta(hours=2), by=cast.therapist, outcome="continue",
        findings="Clears well.",
    )  # fmt: skip


def correction(**changes):
    return {
        "version": "1", "findings": "Clears well.", "still_helps": "yes", "outcome": "stop", "reason": "Mistyped",
    } | changes  # fmt: skip


def test_a_correction_keeps_the_earlier_version(world, cast, sign_in):
    row = made(world, cast)
    address = f"/patients/{world.mosswater.pk}/reassessments/{row.pk}/correct/"
    response = sign_in(cast.therapist).post(address, correction(), follow=True)
    assert "the earlier version is kept" in response.content.decode()
    row.refresh_from_db()
    assert (row.outcome, row.version) == ("stop", 2)
    kept = RecordVersion.objects.get(subject_id=str(row.pk))
    assert kept.values["outcome"] == "continue"


def test_a_correction_of_a_record_changed_meanwhile_is_refused(world, cast, sign_in):
    row = made(world, cast)
    address = f"/patients/{world.mosswater.pk}/reassessments/{row.pk}/correct/"
    therapist = sign_in(cast.therapist)
    therapist.post(address, correction())
    second = therapist.post(address, correction(outcome="step_up"))
    assert second.status_code == 422
    said = second.content.decode()
    assert "changed by somebody else" in said
    assert '<th scope="row">What comes of it?</th><td>Stop</td><td>Step up</td>' in said


def test_a_reassessment_entered_in_error_stays_visible_and_marked(world, cast, sign_in):
    row = made(world, cast)
    therapist = sign_in(cast.therapist)
    address = f"/patients/{world.mosswater.pk}/reassessments/{row.pk}/correct/"
    page = therapist.post(address, correction(entered_in_error="on"), follow=True).content.decode()
    assert "Entered in error" in page
    assert "Clears well." in page
    assert therapist.get(address).status_code == 404


@pytest.mark.parametrize("page", ["", "new/"])
def test_who_may_open_the_reassessments_of_a_patient(world, cast, sign_in, page):
    address = f"/patients/{world.mosswater.pk}/reassessments/{page}"
    expected = {
        cast.lead: 200, cast.therapist: 200, cast.colleague: 404, cast.manager: 403, cast.administrator: 403,
    }  # fmt: skip
    assert {person: sign_in(person).get(address).status_code for person in expected} == expected


def test_another_patients_reassessment_is_not_found(world, cast, sign_in):
    row = made(world, cast)
    address = f"/patients/{world.pebblebrook.pk}/reassessments/{row.pk}/correct/"
    assert sign_in(cast.therapist).get(address).status_code == 404


def test_the_list_takes_as_many_queries_for_three_patients_as_for_one(
    world, cast, sign_in, django_assert_max_num_queries
):
    lead = sign_in(cast.lead)
    order(world.mosswater, cast.lead, NOW - timedelta(hours=80))
    with django_assert_max_num_queries(25) as few:
        lead.get("/reassessment/due/")
    for patient in (world.pebblebrook, world.thistledown):
        order(patient, cast.lead, NOW - timedelta(days=200))
    with django_assert_max_num_queries(len(few.captured_queries)):
        lead.get("/reassessment/due/")


def test_the_lead_can_have_overdue_reassessments_flagged_at_once(world, cast, sign_in):
    order(world.mosswater, cast.lead, NOW - timedelta(hours=80))
    response = sign_in(cast.lead).post("/reassessment/due/flag/")
    run = JobRun.objects.get(kind="flag-overdue-reassessments")
    assert (response.status_code, response["Location"]) == (302, f"/jobs/{run.pk}/")
    assert run_job(run.pk)
    run.refresh_from_db()
    assert (run.state, run.result["opened"]) == ("done", 1)
    assert sign_in(cast.therapist).post("/reassessment/due/flag/").status_code == 403
