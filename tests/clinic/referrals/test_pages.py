"""The pages of referrals, walked as lead and therapist."""

import re
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from clinic.audit.models import AuditEvent
from clinic.jobs import running
from clinic.models import Patient, Referral, ReferralImport
from clinic.referrals import services
from tests.clinic.referrals.test_importing import row
from tests.clinic.referrals.test_rules import file_of
from tests.clinic.referrals.test_services import SAYS
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db

CALL = {
    "family_name": "Oakapple", "given_name": "Tam", "birth_date_day": "3", "birth_date_month": "jul",
    "birth_date_year": "1961", "record_number": "204 130 001", "urgency": "urgent", "reason": "Weak cough, SpO2 88 %",
    "referrer": "Night nurse", "diagnosis_group": "neuromuscular", "room": "4",
}  # fmt: skip


@pytest.fixture(autouse=True)
def data_dir(tmp_path: Path, settings: Any) -> None:
    settings.DATA_DIR = tmp_path


def test_the_lead_takes_a_call_and_decides_on_it(cast: Cast, world: World, sign_in: Any) -> None:
    client = sign_in(cast.lead)
    page = client.post(reverse("referral-new"), CALL | {"unit": world.acute.pk}, follow=True).content.decode()
    assert "Referral, urgent" in page
    assert "OAKAPPLE, Tam" in page
    assert "Born" in page
    referral = Referral.objects.get()
    decide = reverse("referral-decide", args=[referral.pk])
    answer = client.post(decide, {"outcome": "not_indicated", "reason": "", "version": 1})
    assert answer.status_code == 422
    assert "Enter the reason" in answer.content.decode()
    page = client.post(decide, {"outcome": "accepted", "version": 1}, follow=True).content.decode()
    assert "Accepted" in page
    assert Patient.objects.get(pk=referral.patient_id).state == "active"
    assert client.post(decide, {"outcome": "accepted", "version": 1}).status_code == 422


def test_a_therapist_takes_a_call_and_does_not_get_to_the_leads_list(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.therapist)
    page = client.post(reverse("referral-new"), CALL, follow=True).content.decode()
    assert "the lead is told" in page
    assert client.get(reverse("referrals")).status_code == 403
    assert client.get(reverse("referral", args=[Referral.objects.get().pk])).status_code == 404


def test_an_empty_form_comes_back_filled_with_what_is_missing(cast: Cast, world: World, sign_in: Any) -> None:
    answer = sign_in(cast.lead).post(reverse("referral-new"), CALL | {"reason": "", "urgency": ""})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "<title>Error: " in page
    assert "Enter the reason" in page or "Enter reason" in page
    assert 'value="Oakapple"' in page


def test_a_likely_duplicate_is_shown_with_birth_date_and_number_and_can_be_overruled(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.lead)
    born = {"birth_date_day": "14", "birth_date_month": "3", "birth_date_year": "1958"}
    twin = CALL | {"family_name": "Mosswater", "given_name": "Brin"} | born
    page = client.post(reverse("referral-new"), twin).content.decode()
    assert "MOSSWATER, Bryn" in page
    assert "204 118 553" in page
    assert client.post(reverse("referral-new"), twin | {"not_the_same_reason": "Twin."}).status_code == 302


def test_whom_a_telephone_referral_resembles_stands_in_the_trail(
    cast: Cast, world: World, sign_in: Any
) -> None:
    born = {"birth_date_day": "14", "birth_date_month": "3", "birth_date_year": "1958"}
    twin = CALL | {"family_name": "Mosswater", "given_name": "Brin"} | born
    assert "MOSSWATER, Bryn" in sign_in(cast.outsider).post(reverse("referral-new"), twin).content.decode()
    row = AuditEvent.objects.get(action="read")
    assert (row.patient_id, row.actor_id, row.subject_id) == (
        world.mosswater.pk,
        cast.outsider.pk,
        "referral-new",
    )


def test_the_list_shows_urgency_waiting_and_two_identifiers(cast: Cast, world: World, sign_in: Any) -> None:
    services.receive(world.mosswater, by=cast.lead, source="written", **SAYS)
    page = sign_in(cast.lead).get(reverse("referrals")).content.decode()
    for words in ("Soon", "waits 0", "MOSSWATER, Bryn", "14-Mar-1958", "204 118 553", "Acute ward, room 12"):
        assert words in page
    assert (
        "No referral has this outcome"
        in sign_in(cast.lead).get(reverse("referrals"), {"outcome": "duplicate"}).content.decode()
    )


def test_the_list_costs_the_same_number_of_queries_for_one_and_for_many(
    cast: Cast, world: World, sign_in: Any, django_assert_max_num_queries: Any
) -> None:
    client = sign_in(cast.lead)
    services.receive(world.mosswater, by=cast.lead, source="written", **SAYS)
    with django_assert_max_num_queries(8) as one:
        client.get(reverse("referrals"))
    for patient in [world.pebblebrook, world.thistledown, world.unassigned] * 4:
        services.receive(patient, by=cast.lead, source="written", **SAYS)
    with django_assert_max_num_queries(len(one.captured_queries)):
        client.get(reverse("referrals"))


def test_a_written_referral_is_added_to_a_patient(cast: Cast, world: World, sign_in: Any) -> None:
    form = SAYS | {
        "received_at_day": "24", "received_at_month": "11", "received_at_year": "2025", "received_at_time": "08:50",
        "diagnosis_group": "bronchiectasis",
    }  # fmt: skip
    page = sign_in(cast.therapist).post(reverse("referral-for", args=[world.mosswater.pk]), form, follow=True)
    assert "24-Nov-2025" in page.content.decode()
    assert sign_in(cast.colleague).get(reverse("referral-for", args=[world.mosswater.pk])).status_code == 404


def test_a_referral_is_corrected_with_a_reason_and_never_over_somebody_elses_change(
    cast: Cast, world: World, sign_in: Any
) -> None:
    referral = services.receive(world.mosswater, by=cast.lead, source="written", **SAYS)
    client, address = sign_in(cast.therapist), reverse("referral-correct", args=[referral.pk])
    form = SAYS | {"urgency": "urgent", "diagnosis_group": "other", "version": "1"}
    assert client.post(address, form).status_code == 422
    page = client.post(address, form | {"why": "Called back."}, follow=True).content.decode()
    assert "Referral, urgent" in page
    answer = client.post(address, form | {"why": "Again.", "urgency": "soon"})
    assert answer.status_code == 422
    said = answer.content.decode()
    assert "changed by somebody else" in said
    # Both versions: what is stored now, and what was typed.
    row = re.search(r'<th scope="row">Urgency</th><td>([^<]*)</td><td>([^<]*)</td>', said)
    assert row
    assert row.groups() == ("Urgent", "Soon")
    assert said.count('<tr><th scope="row">') == 1
    assert sign_in(cast.outsider).get(address).status_code == 404
    assert sign_in(cast.manager).get(address).status_code == 403


def test_a_file_is_uploaded_worked_through_and_its_refused_rows_are_fetched(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.lead)
    page = client.get(reverse("referral-upload")).content.decode()
    assert "national_number" in page
    file = SimpleUploadedFile("list.csv", file_of(row(1), row(2, sex="x")), "text/csv")
    answer = client.post(reverse("referral-upload"), {"file": file})
    taken = ReferralImport.objects.get()
    assert answer.headers["Location"] == reverse("job", args=[taken.job.pk])
    running.run_job(taken.job.pk)
    page = client.get(reverse("referral-import", args=[taken.pk])).content.decode()
    assert "Fetch the refused rows" in page
    fetched = client.get(reverse("referral-refused", args=[taken.pk]))
    assert b"sex: must be" in b"".join(fetched.streaming_content)
    for person in (cast.therapist, cast.manager, cast.administrator):
        assert sign_in(person).get(reverse("referral-refused", args=[taken.pk])).status_code == 403


def test_an_upload_without_a_file_says_so(cast: Cast, sign_in: Any) -> None:
    answer = sign_in(cast.lead).post(reverse("referral-upload"), {})
    assert answer.status_code == 422
    assert "There is a problem" in answer.content.decode()
