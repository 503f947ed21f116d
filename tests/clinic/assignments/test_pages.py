"""Emergency access and hand-over notes, walked as therapists and lead."""

from typing import Any

import pytest
from django.urls import reverse

from clinic.models import AccessGrant, AuditEvent, Notice
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db
MOSSWATER = {
    "record_number": "204 118 553", "birth_date_day": "14", "birth_date_month": "Mar", "birth_date_year": "1958",
    "reason": "Called by the ward.",
}  # fmt: skip


def test_emergency_access_opens_the_record_and_the_lead_is_told(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.outsider)
    page = client.post(reverse("emergency-access"), MOSSWATER, follow=True)
    assert page.status_code == 200
    assert "MOSSWATER, Bryn" in page.content.decode()
    told = sign_in(cast.lead).get(reverse("attention")).content.decode()
    assert "A. Otterby opened this record by emergency access" in told


def test_a_wrong_birth_date_opens_nothing_names_nobody_and_is_audited(
    cast: Cast, world: World, sign_in: Any
) -> None:
    answer = sign_in(cast.outsider).post(reverse("emergency-access"), MOSSWATER | {"birth_date_day": "15"})
    assert answer.status_code == 422
    assert "MOSSWATER" not in answer.content.decode()
    assert not AccessGrant.objects.filter(why="emergency").exists()
    assert AuditEvent.objects.filter(action="emergency access refused").count() == 1


def test_emergency_access_wants_a_reason_and_is_for_therapists(
    cast: Cast, world: World, sign_in: Any
) -> None:
    assert (
        sign_in(cast.outsider).post(reverse("emergency-access"), MOSSWATER | {"reason": ""}).status_code
        == 422
    )
    assert sign_in(cast.therapist).post(reverse("emergency-access"), MOSSWATER).status_code == 422
    for person in (cast.lead, cast.manager, cast.administrator):
        assert sign_in(person).get(reverse("emergency-access")).status_code == 403


def test_a_hand_over_note_reaches_the_colleague_who_covers_and_is_answered(
    cast: Cast, world: World, sign_in: Any
) -> None:
    from datetime import timedelta

    from django.utils import timezone

    from clinic.assignments import services

    address = reverse("handover", args=[world.mosswater.pk])
    note = {"to": cast.colleague.pk, "words": "Tires after the second set."}
    assert sign_in(cast.therapist).post(address, note).status_code == 422, (
        "the colleague may not open the record"
    )
    services.cover(
        world.mosswater,
        to=cast.colleague,
        by=cast.lead,
        until=timezone.now() + timedelta(hours=8),
        reason="Leave.",
    )
    assert sign_in(cast.therapist).post(address, note).status_code == 302
    client = sign_in(cast.colleague)
    assert "Tires after the second set." in client.get(reverse("attention")).content.decode()
    client.post(
        reverse("notice-answer", args=[Notice.objects.get(kind="handover").pk]), {"words": "Thank you."}
    )
    assert "Thank you." in sign_in(cast.therapist).get(address).content.decode()
