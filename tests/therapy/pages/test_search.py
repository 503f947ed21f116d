"""Finding a patient: by whom, by what, and what stays behind."""

from datetime import date

import pytest

from clinic.models import AuditEvent
from tests.conftest import make_patient

pytestmark = pytest.mark.django_db


def names(response):
    return [row.name for row in response.context["rows"]]


def test_the_lead_finds_everybody_by_the_beginning_of_a_name_or_number(cast, world, sign_in):
    client = sign_in(cast.lead)
    assert names(client.post("/search/", {"words": "moss"})) == ["MOSSWATER, Bryn"]
    assert names(client.post("/search/", {"words": "204 118"})) == ["MOSSWATER, Bryn"]
    assert names(client.post("/search/", {"words": "Heath"})) == ["HEATHERLEY, Sol"]


def test_a_therapist_finds_only_patients_whose_record_may_be_opened(cast, world, sign_in):
    client = sign_in(cast.therapist)
    assert names(client.post("/search/", {"words": "moss"})) == ["MOSSWATER, Bryn"]
    nobody = client.post("/search/", {"words": "thistle"})
    assert names(nobody) == []
    assert "Nobody found" in nobody.content.decode()


def test_alike_names_are_marked_and_told_apart_by_two_identifiers(cast, world, sign_in):
    for given, born, number in (
        ("Alder", date(1968, 1, 9), "204120100"),
        ("Alda", date(2020, 6, 27), "204120200"),
    ):
        make_patient("Fernhill", given, born, number, unit=world.acute)
    body = sign_in(cast.lead).post("/search/", {"words": "fernhill"}).content.decode()
    assert body.count("Similar name") == 2
    assert "27-Jun-2020" in body
    assert "204 120 100" in body


def test_one_letter_is_refused_in_the_filled_form(cast, sign_in):
    response = sign_in(cast.lead).post("/search/", {"words": "m"})
    assert response.status_code == 422
    assert "Name or number must have at least 2 letters or digits" in response.content.decode()


def test_that_somebody_searched_is_kept_but_not_for_whom(cast, world, sign_in):
    sign_in(cast.lead).post("/search/", {"words": "mosswater"})
    row = AuditEvent.objects.get(action="searched")
    assert row.actor_id == cast.lead.pk
    assert "moss" not in f"{row.reason}{row.subject_id}{row.changed}".casefold()


def test_managers_and_administrators_do_not_search_patients(cast, sign_in):
    assert sign_in(cast.manager).get("/search/").status_code == 403
    assert sign_in(cast.administrator).get("/search/").status_code == 403


def test_the_about_page_says_what_the_app_is_for_and_what_not(cast, sign_in):
    for person in (cast.lead, cast.therapist, cast.manager, cast.administrator):
        body = sign_in(person).get("/about/").content.decode()
        assert "Intended purpose" in body
        assert "A licensed clinician decides" in body
        assert "Not for" in body
        assert "Respir Care" in body
