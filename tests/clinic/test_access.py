"""Who sees which patients, and that every page names who may use it."""

from datetime import timedelta

import pytest
from django.urls import path
from django.utils import timezone

from clinic import access
from clinic.access import NotPermitted, Role, patients_visible_to
from clinic.models import AccessGrant


def test_the_lead_sees_every_patient_and_a_therapist_only_those_with_a_grant(cast, world) -> None:
    assert patients_visible_to(cast.lead).count() == 4
    assert set(patients_visible_to(cast.therapist)) == {world.mosswater, world.pebblebrook}
    assert list(patients_visible_to(cast.colleague)) == [world.thistledown]
    assert not patients_visible_to(cast.outsider).exists()


def test_manager_and_administrator_open_no_clinical_page(cast, world) -> None:
    assert not patients_visible_to(cast.manager).exists()
    assert not patients_visible_to(cast.administrator).exists()


def test_a_grant_counts_only_from_its_start_until_its_end(cast, world) -> None:
    now = timezone.now()
    grant = AccessGrant.objects.create(
        person=cast.outsider, patient=world.mosswater, why="emergency", from_at=now + timedelta(hours=1)
    )
    assert not patients_visible_to(cast.outsider).exists()
    AccessGrant.objects.filter(pk=grant.pk).update(from_at=now - timedelta(hours=1))
    assert patients_visible_to(cast.outsider).exists()
    AccessGrant.objects.filter(pk=grant.pk).update(until_at=now - timedelta(minutes=1))
    assert not patients_visible_to(cast.outsider).exists()


def test_a_disabled_account_sees_nobody_and_may_do_nothing(cast, world) -> None:
    cast.lead.is_active = False
    assert not patients_visible_to(cast.lead).exists()
    with pytest.raises(NotPermitted):
        access.require(cast.lead, Role.LEAD)


def test_only_a_licensed_clinician_may_decide(cast) -> None:
    access.require_licensed(cast.therapist)
    for person in (cast.colleague, cast.manager, cast.administrator):
        with pytest.raises(NotPermitted):
            access.require_licensed(person)


def test_a_page_that_names_nobody_is_refused_at_start(monkeypatch) -> None:
    def page(request):  # a view without @allow
        raise NotImplementedError

    patterns = [path("named/", access.allow(Role.LEAD)(page)), path("nameless/", page)]
    everything = list(access.endpoints(patterns))
    monkeypatch.setattr(access, "endpoints", lambda: iter(everything))
    refused = access.every_page_names_who_may_use_it(None)
    assert [error.id for error in refused] == ["clinic.E001"]
    assert "nameless" in refused[0].msg


def test_no_page_of_the_app_names_nobody() -> None:
    assert access.every_page_names_who_may_use_it(None) == []


@pytest.mark.django_db
def test_a_part_of_a_page_asked_for_after_the_session_ran_out_says_so_and_is_no_sign_in_page(client) -> None:
    """A redirect is followed in silence: the sign-in page would stand where the part was to go."""
    here = "http://testserver/reports/?week=2026-W47"
    asked = {"HX-Request": "true", "HX-Current-URL": here}
    answer = client.get("/reports/", headers=asked)
    assert (answer.status_code, answer.headers["HX-Reselect"]) == (401, ".signed-out")
    said = answer.content.decode()
    assert "You are signed out" in said
    assert "/sign-in?next=/reports/%3Fweek%3D2026-W47" in said
    assert "<form" not in said
    assert client.get("/reports/").status_code == 302


@pytest.mark.django_db
def test_the_way_back_after_signing_in_leads_to_no_other_site(client) -> None:
    asked = {"HX-Request": "true", "HX-Current-URL": "https://elsewhere.example/reports/"}
    said = client.get("/reports/", headers=asked).content.decode()
    assert "elsewhere" not in said
