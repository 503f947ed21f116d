"""Reporting a safety concern, walked as the people who do it."""

import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from clinic.ids import new_id
from clinic.models import SafetyConcern
from clinic.safety import services
from clinic.version import version
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db

LINK = re.compile(r'href="(/safety/concerns/report/[^"]*)"[^>]*>Report a safety concern')
REPORT = "safety-concern-report"


def link_on(page: str) -> str:
    found = LINK.search(page)
    assert found
    return found.group(1).replace("&amp;", "&")


def test_every_signed_in_person_finds_the_link_on_their_pages_with_the_page_in_it(
    cast: Cast, sign_in: Any
) -> None:
    for person in (cast.lead, cast.therapist, cast.manager, cast.administrator):
        client = sign_in(person)
        for address in ("/", "/about/", "/no-such-page"):
            assert link_on(client.get(address).content.decode()) == f"{reverse(REPORT)}?page={address}"
    assert not LINK.search(Client().get(reverse("sign-in")).content.decode())


def test_a_page_that_is_refused_carries_the_link_too(cast: Cast, sign_in: Any) -> None:
    answer = sign_in(cast.manager).get(reverse("patients"))
    assert answer.status_code == 403
    assert link_on(answer.content.decode()).endswith("?page=/patients/")


def test_a_page_with_a_banner_says_whom_it_is_about_and_no_query_travels(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.therapist)
    page = reverse("patient-record", args=[world.mosswater.pk])
    link = link_on(client.get(f"{page}?words=secret").content.decode())
    assert link == f"{reverse(REPORT)}?page={page}&patient={world.mosswater.pk}"
    form = client.get(link).content.decode()
    assert "MOSSWATER, Bryn" in form
    assert "Patient record" in form
    assert f"<dd>{version()}</dd>" in form


def test_a_report_is_kept_with_what_the_form_was_filled_in_with(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.therapist)
    page = reverse("patient-record", args=[world.mosswater.pk])
    address = f"{reverse(REPORT)}?page={page}&patient={world.mosswater.pk}"
    hidden = dict(
        re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', client.get(address).content.decode())
    )
    answer = client.post(address, {**hidden, "words": "The target range is not the one on the chart."})
    kept = SafetyConcern.objects.get()
    assert answer.headers["Location"] == reverse("safety-concern", args=[kept.pk])
    assert (kept.page, kept.patient, kept.app_version) == (page, world.mosswater, version())
    again = client.post(address, {**hidden, "words": "The target range is not the one on the chart."})
    assert again.status_code == 302
    assert SafetyConcern.objects.count() == 1
    assert len(kept.request_id) >= 8


def test_an_error_gives_the_filled_form_back_with_every_word_of_it(cast: Cast, sign_in: Any) -> None:
    words = "What I saw. " * 200
    answer = sign_in(cast.therapist).post(
        reverse(REPORT), {"words": words, "harmed": "yes", "page": "/", "concern_id": new_id()}
    )
    shown = answer.content.decode()
    assert answer.status_code == 422
    assert "<title>Error: Report a safety concern" in shown
    assert "must be 2000 characters or fewer" in shown
    assert words.strip() in shown
    assert re.search(r'name="harmed" value="yes"[^>]*checked', shown)


def test_a_timed_out_sign_in_loses_no_word_because_the_tab_keeps_a_draft(cast: Cast, sign_in: Any) -> None:
    page = sign_in(cast.therapist).get(f"{reverse(REPORT)}?page=/about/").content.decode()
    assert f'data-draft="{cast.therapist.pk} /about/"' in page
    assert "therapy/draft.js" in page
    kept, _ = services.report(by=cast.therapist, page="/about/", words="w")
    done = sign_in(cast.therapist).get(reverse("safety-concern", args=[kept.pk])).content.decode()
    assert f'data-draft-done="{kept.pk}"' in done


def test_the_manager_reads_what_happened_and_no_patient_s_name(
    cast: Cast, world: World, sign_in: Any
) -> None:
    kept, _ = services.report(
        by=cast.therapist,
        page=reverse("patient", args=[world.mosswater.pk]),
        patient_id=world.mosswater.pk,
        words="Seen twice on the list.",
    )
    client = sign_in(cast.manager)
    for address in (reverse("safety-concerns"), reverse("safety-concern", args=[kept.pk])):
        shown = client.get(address).content.decode()
        assert "Seen twice on the list." in shown
        assert "mosswater" not in shown.casefold()
        assert "204 118 553" not in shown
    assert "Answer the concern" not in shown
    lead = sign_in(cast.lead)
    assert "MOSSWATER, Bryn" in lead.get(reverse("safety-concerns")).content.decode()
    assert "Answer the concern" in lead.get(reverse("safety-concern", args=[kept.pk])).content.decode()


def test_the_lead_answers_and_the_reporter_reads_it(cast: Cast, sign_in: Any) -> None:
    kept, _ = services.report(by=cast.administrator, page="/accounts/", words="A closed account signed in.")
    answer = reverse("safety-concern-answer", args=[kept.pk])
    lead = sign_in(cast.lead)
    assert lead.post(answer, {"words": " "}).status_code == 422
    assert lead.post(answer, {"words": "Closed again; the cause was found."}).status_code == 302
    shown = sign_in(cast.administrator).get(reverse("safety-concern", args=[kept.pk])).content.decode()
    assert "Closed again; the cause was found." in shown


def test_the_list_takes_the_same_queries_for_one_and_for_many(
    cast: Cast, world: World, sign_in: Any, django_assert_max_num_queries: Any
) -> None:
    client = sign_in(cast.lead)
    for number in range(12):
        patient = (world.mosswater, world.pebblebrook, world.thistledown)[number % 3]
        kept, _ = services.report(by=cast.lead, page="/", words=f"No. {number}", patient_id=patient.pk)
        if number % 2:
            services.answer(kept, by=cast.lead, words="Done.")
    with django_assert_max_num_queries(9):
        assert client.get(reverse("safety-concerns")).status_code == 200
