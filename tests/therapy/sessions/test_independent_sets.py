"""The diary of what a patient does alone: a wrong day is corrected or struck, and both versions stay readable."""

import html
import re
from datetime import timedelta

import pytest
from django.urls import reverse

from clinic.models import RecordVersion
from clinic.records import Changed, Refused
from tests.conftest import NOW
from therapy.sessions import independent_services as services
from therapy.sessions.models import IndependentSets
from therapy.sessions.selectors import independent_sets_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]
TODAY = NOW.date()


@pytest.fixture
def entry(world, cast):
    return services.record_independent_sets(
        by=cast.therapist, patient=world.mosswater, service_date=TODAY, sets_done=40, reported_by="patient"
    )


@pytest.fixture
def page(entry):
    return reverse("independent-sets-correct", args=[entry.patient_id, entry.pk])


def text(response):
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).split())


def counted(entry):
    return [one.sets_done for one in independent_sets_of(entry.patient, TODAY, TODAY + timedelta(days=1))]


def test_a_wrong_day_is_corrected_on_its_page_and_says_what_it_said_before(entry, page, sign_in, cast):
    client = sign_in(cast.therapist)
    diary = client.get(reverse("independent-sets", args=[entry.patient_id])).content.decode()
    assert page in diary
    assert "MOSSWATER, Bryn" in text(client.get(page))
    sent = {"sets_done": "4", "reason": "typed a nought too many", "expect_version": "1", "step": "amend"}
    assert "Corrected." in text(client.post(page, sent, follow=True))
    assert counted(entry) == [4]
    said = text(client.get(page))
    assert "typed a nought too many 40" in said
    assert RecordVersion.objects.get(subject_id=str(entry.pk)).values["sets_done"] == 40
    assert "changed by somebody else" in text(client.post(page, {**sent, "sets_done": "5"}))
    assert counted(entry) == [4]


def test_a_day_of_another_patient_is_struck_counts_no_more_and_can_be_entered_again(
    entry, page, sign_in, cast, world
):
    client = sign_in(cast.therapist)
    strike = {"reason": "told by the neighbour", "expect_version": "1", "step": "strike"}
    assert "Struck." in text(client.post(page, strike, follow=True))
    assert counted(entry) == []
    diary = client.get(reverse("independent-sets", args=[entry.patient_id]))
    assert "Struck as entered in error" in text(diary)
    assert "told by the neighbour 40" in text(client.get(page))
    again = client.post(page, {**strike, "expect_version": "2"})
    assert (again.status_code, "was struck" in text(again)) == (422, True)
    services.record_independent_sets(
        by=cast.therapist, patient=world.mosswater, service_date=TODAY, sets_done=4, reported_by="carer"
    )
    assert counted(entry) == [4]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"reason": ""}, "Enter why it is corrected"),
        ({"reason": "", "step": "strike"}, "Enter why it is corrected"),
        ({"sets_done": ""}, "Enter the sets done alone"),
        ({"sets_done": "61"}, "60"),
        ({"sets_done": "40"}, "says 40 already"),
    ],
)
def test_a_correction_without_its_reason_or_number_comes_back(page, sign_in, cast, changes, said):
    sent = {"sets_done": "4", "reason": "misheard", "expect_version": "1", "step": "amend", **changes}
    response = sign_in(cast.therapist).post(page, sent)
    assert response.status_code == 422
    assert said in text(response)
    assert IndependentSets.objects.get().version == 1


def test_a_day_is_found_under_its_own_patient_only(entry, page, sign_in, cast, world):
    assert sign_in(cast.outsider).get(page).status_code == 404
    other = reverse("independent-sets-correct", args=[world.pebblebrook.pk, entry.pk])
    assert sign_in(cast.lead).get(other).status_code == 404


def test_a_struck_day_is_not_amended_and_a_stale_one_neither(entry, cast):
    with pytest.raises(Changed):
        services.amend_independent_sets(
            by=cast.therapist, entry=entry, sets_done=3, reason="misheard", expect_version=7
        )
    services.strike_independent_sets(by=cast.therapist, entry=entry, reason="wrong bed", expect_version=1)
    with pytest.raises(Refused, match="was struck"):
        services.amend_independent_sets(
            by=cast.therapist, entry=entry, sets_done=3, reason="misheard", expect_version=2
        )
