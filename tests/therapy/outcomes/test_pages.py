"""The pages of figures: who may open them, what they show, and that nobody's name stands in a manager's list."""

from datetime import timedelta

import pytest
import time_machine

from clinic.models import AuditEvent
from tests.conftest import NOW
from tests.therapy.made import measured, order, treatment, window

pytestmark = pytest.mark.django_db

WEEK = "2026-W48"
EIGHT = NOW.replace(hour=8, minute=0)


@pytest.fixture(autouse=True)
def frozen():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def treated(world, cast):
    """One treatment in full with sputum and saturation, one refused."""
    of = order(world.mosswater, cast.lead, EIGHT - timedelta(days=3))
    yesterday = EIGHT - timedelta(days=1)
    row = treatment(
        of, cast.therapist, yesterday, window=window(of, yesterday, state="full"),
        sputum="measured", sputum_volume_tenths_ml=85,
    )  # fmt: skip
    for moment, value in (("before", 91), ("after", 94)):
        measured(row, "spo2_percent", moment, value, cast.therapist, oxygen_device="air")
    later = yesterday + timedelta(hours=4)
    treatment(
        of, cast.therapist, later, "not_delivered", window=window(of, later, state="not_delivered"),
        reason="declined", reason_group="patient",
    )  # fmt: skip
    return of


def words(response):
    return response.content.decode()


def test_the_outcomes_of_a_patient_stand_with_their_counts(treated, world, cast, sign_in):
    response = sign_in(cast.therapist).get(f"/patients/{world.mosswater.pk}/outcomes/")
    assert response.status_code == 200
    page = words(response)
    assert "1 in full, 0 in part, of 2 due" in page
    assert "Median 8.5 mL a treatment" in page
    assert "SpO2 after treatment: median up by 3 points" in page
    assert "MOSSWATER, Bryn" in page
    read = AuditEvent.objects.get(action="read", patient_id=world.mosswater.pk)
    assert read.subject_id == "patient-outcomes"


def test_a_patient_without_treatments_has_no_percentage(world, cast, sign_in):
    page = words(sign_in(cast.lead).get(f"/patients/{world.pebblebrook.pk}/outcomes/"))
    assert "Nothing due" in page
    assert "No sputum was measured" in page


def test_who_may_open_the_outcomes_of_a_patient(world, cast, sign_in):
    address = f"/patients/{world.mosswater.pk}/outcomes/"
    expected = {
        cast.lead: 200, cast.therapist: 200, cast.colleague: 404, cast.outsider: 404, cast.manager: 403,
        cast.administrator: 403,
    }  # fmt: skip
    assert {person: sign_in(person).get(address).status_code for person in expected} == expected


@pytest.mark.parametrize("page", ["delivered", "not-given"])
def test_who_may_open_the_lists_behind_the_figures(treated, cast, sign_in, page):
    expected = {cast.lead: 200, cast.manager: 200, cast.therapist: 403, cast.administrator: 403}
    found = {person: sign_in(person).get(f"/figures/{WEEK}/{page}/").status_code for person in expected}
    assert found == expected
    assert sign_in(cast.manager).get(f"/figures/2026-W99/{page}/").status_code == 404


@pytest.mark.parametrize("page", ["delivered", "not-given"])
def test_a_list_shows_the_number_and_never_the_name(treated, world, cast, sign_in, page):
    shown = words(sign_in(cast.manager).get(f"/figures/{WEEK}/{page}/"))
    assert "204 118 553" in shown
    assert "mosswater" not in shown.lower()
    assert "Bryn" not in shown
    assert "14-Mar-1958" not in shown


def test_a_list_can_be_narrowed_to_a_unit_and_to_a_reason(treated, world, cast, sign_in):
    manager = sign_in(cast.manager)
    assert "204 118 553" in words(manager.get(f"/figures/{WEEK}/delivered/?unit={world.acute.pk}"))
    assert "204 118 553" not in words(manager.get(f"/figures/{WEEK}/delivered/?unit={world.home.pk}"))
    assert "Declined" in words(manager.get(f"/figures/{WEEK}/not-given/?group=patient"))
    assert "Declined" not in words(manager.get(f"/figures/{WEEK}/not-given/?group=service"))
    assert manager.get(f"/figures/{WEEK}/not-given/?group=nonsense&unit=x").status_code == 200


def test_the_number_of_queries_of_a_list_does_not_grow_with_it(
    treated, world, cast, sign_in, django_assert_max_num_queries
):
    manager = sign_in(cast.manager)
    with django_assert_max_num_queries(20) as few:
        manager.get(f"/figures/{WEEK}/delivered/")
    for patient in (world.pebblebrook, world.thistledown):
        of = order(patient, cast.lead, EIGHT - timedelta(days=3))
        for hours in (0, 4, 8):
            at = EIGHT - timedelta(days=1) + timedelta(hours=hours)
            treatment(of, cast.therapist, at, window=window(of, at, state="full"))
    with django_assert_max_num_queries(len(few.captured_queries)):
        manager.get(f"/figures/{WEEK}/delivered/")


def test_the_number_of_queries_of_a_patient_page_does_not_grow_with_the_treatments(
    treated, world, cast, sign_in, django_assert_max_num_queries
):
    therapist, address = sign_in(cast.therapist), f"/patients/{world.mosswater.pk}/outcomes/"
    with django_assert_max_num_queries(30) as few:
        therapist.get(address)
    for days in range(2, 9):
        at = EIGHT - timedelta(days=days)
        row = treatment(treated, cast.therapist, at, window=window(treated, at, state="full"), sputum="none")
        measured(row, "borg_tenths", "before", 40, cast.therapist)
    with django_assert_max_num_queries(len(few.captured_queries)):
        therapist.get(address)
