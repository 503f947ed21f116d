"""The pages of what needs attention, walked as the people who use them."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.attention import services
from clinic.models import Flag, Notice
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db


@pytest.fixture
def flag(world: World) -> Flag:
    due = timezone.now() - timedelta(hours=26)
    return services.open_flag(
        kind="reassess", key="k", words="Due since yesterday.", due_at=due, patient=world.mosswater
    )[0]


def test_the_list_says_how_long_a_flag_is_over_and_who_the_patient_is(
    cast: Cast, flag: Flag, sign_in: Any
) -> None:
    page = sign_in(cast.therapist).get(reverse("attention")).content.decode()
    assert "26 h over" in page
    assert "MOSSWATER, Bryn" in page
    assert "born 14-Mar-1958" in page
    assert "204 118 553" in page


def test_an_overdue_reassessment_leads_to_reassessing_and_is_not_ticked_off(
    cast: Cast, world: World, flag: Flag, sign_in: Any
) -> None:
    client = sign_in(cast.therapist)
    reassess = reverse("reassessment-new", args=[world.mosswater.pk])
    assert f'href="{reassess}"' in client.get(reverse("attention")).content.decode()
    assert "Close: done" not in client.get(reverse("attention-flag", args=[flag.pk])).content.decode()
    answer = client.post(reverse("attention-close", args=[flag.pk]), {"words": "Done."})
    assert answer.status_code == 422
    assert "closes by itself" in answer.content.decode()
    assert Flag.objects.get().state == "open"


def test_closing_wants_to_know_what_was_done_and_then_the_flag_is_gone(
    cast: Cast, flag: Flag, sign_in: Any
) -> None:
    Flag.objects.update(kind="check_entry")
    client = sign_in(cast.therapist)
    answer = client.post(reverse("attention-close", args=[flag.pk]), {"words": ""})
    assert answer.status_code == 422
    assert "Enter what was done" in answer.content.decode()
    answer = client.post(reverse("attention-close", args=[flag.pk]), {"words": "Reassessed."}, follow=True)
    assert "Nothing waits for you" in answer.content.decode()


def test_putting_off_shows_until_when_and_why(cast: Cast, flag: Flag, sign_in: Any) -> None:
    client, until = sign_in(cast.therapist), timezone.localtime() + timedelta(days=1)
    form = {
        "until_day": until.day,
        "until_month": until.month,
        "until_year": until.year,
        "until_time": "09:00",
    }
    assert client.post(reverse("attention-put-off", args=[flag.pk]), form).status_code == 422
    page = client.post(
        reverse("attention-put-off", args=[flag.pk]), {**form, "reason": "Theatre."}, follow=True
    )
    assert "Theatre." in page.content.decode()
    past = {**form, "until_year": 2020, "reason": "x"}
    assert client.post(reverse("attention-put-off", args=[flag.pk]), past).status_code == 422


def test_the_lead_hands_a_flag_on_and_a_therapist_does_not(cast: Cast, flag: Flag, sign_in: Any) -> None:
    address = reverse("attention-hand-on", args=[flag.pk])
    assert sign_in(cast.therapist).post(address, {"owner": cast.colleague.pk}).status_code == 403
    client = sign_in(cast.lead)
    assert client.post(address, {"owner": ""}).status_code == 422
    assert "T. Lindqvale" in client.post(address, {"owner": cast.colleague.pk}, follow=True).content.decode()


def test_a_flag_of_another_therapists_patient_is_not_there(cast: Cast, flag: Flag, sign_in: Any) -> None:
    for person in (cast.colleague, cast.outsider, cast.manager, cast.administrator):
        client = sign_in(person)
        assert client.get(reverse("attention-flag", args=[flag.pk])).status_code == 404
        assert client.post(reverse("attention-close", args=[flag.pk]), {"words": "x"}).status_code == 404


def test_a_notice_is_marked_as_read_with_a_word_back(cast: Cast, world: World, sign_in: Any) -> None:
    notice = services.tell(
        to=cast.therapist, by=cast.lead, kind="handover", words="Tires early.", patient=world.mosswater
    )
    client = sign_in(cast.therapist)
    assert "Tires early." in client.get(reverse("attention")).content.decode()
    page = client.post(
        reverse("notice-answer", args=[notice.pk]), {"words": "Seen."}, follow=True
    ).content.decode()
    assert "Nothing unread" in page
    assert Notice.objects.get().answer.words == "Seen."
    sign_in(cast.colleague).post(reverse("notice-answer", args=[notice.pk]))
    assert Notice.objects.get().answer.by == cast.therapist


def test_the_list_costs_the_same_number_of_queries_for_one_and_for_many(
    cast: Cast, world: World, flag: Flag, sign_in: Any, django_assert_max_num_queries: Any
) -> None:
    client = sign_in(cast.lead)
    with django_assert_max_num_queries(9) as one:
        client.get(reverse("attention"))
    for index, patient in enumerate([world.pebblebrook, world.thistledown, world.unassigned] * 5):
        services.open_flag(kind="decide", key=f"d{index}", words="x", due_at=timezone.now(), patient=patient)
    with django_assert_max_num_queries(len(one.captured_queries)):
        client.get(reverse("attention"))
