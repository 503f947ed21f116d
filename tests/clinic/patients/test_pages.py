"""The pages of patients, walked as lead and therapist."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.audit.models import AuditEvent
from clinic.models import Patient
from tests.conftest import Cast, World, make_patient

pytestmark = pytest.mark.django_db
TAM = {
    "family_name": "Oakapple", "given_name": "Tam", "birth_date_day": "3", "birth_date_month": "jul",
    "birth_date_year": "1961", "record_number": "204 130 001", "diagnosis_group": "copd",
}  # fmt: skip


def test_a_search_finds_by_name_marks_similar_ones_and_is_audited_without_its_words(
    cast: Cast, world: World, sign_in: Any
) -> None:
    make_patient(
        "Moswater",
        "Alda",
        timezone.localdate() - timedelta(days=9000),
        "204118554",
        unit=world.acute,
        room="2",
    )
    page = sign_in(cast.lead).post(reverse("patients"), {"words": "mos"}).content.decode()
    assert page.count("Similar name") == 2
    assert "born 14-Mar-1958" in page
    assert "no. 204 118 553" in page
    assert 'action="/patients/"' in page, "what is looked for goes in the form, never in the address"
    row = AuditEvent.objects.get(action="search")
    assert "mos" not in str(row.__dict__).replace("_state", "")


def test_the_place_is_never_a_link_and_the_list_has_no_banner(cast: Cast, world: World, sign_in: Any) -> None:
    """Joint Commission NPSG.01.01.01 and NHS CUI PAB: room is no identifier; no banner where many patients stand."""
    page = sign_in(cast.lead).get(reverse("patients")).content.decode()
    assert 'class="patient"' not in page
    for link in page.split("<a ")[1:]:
        assert "room 12" not in link.split("</a>")[0]


def test_a_therapist_sees_own_patients_only_and_an_empty_search_says_so(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.therapist)
    page = client.get(reverse("patients")).content.decode()
    assert "MOSSWATER" in page
    assert "THISTLEDOWN" not in page
    assert (
        "Nobody you may open matches"
        in client.post(reverse("patients"), {"words": "thistledown"}).content.decode()
    )


def test_who_has_left_stands_on_a_list_of_their_own(cast: Cast, world: World, sign_in: Any) -> None:
    from clinic.patients import services

    services.discharge(world.mosswater, by=cast.lead, reason="Home.")
    client = sign_in(cast.lead)
    assert "MOSSWATER" not in client.get(reverse("patients")).content.decode()
    assert "MOSSWATER" in client.get(reverse("patients"), {"show": "left"}).content.decode()
    assert "MOSSWATER" in client.post(reverse("patients"), {"words": "moss"}).content.decode()


def test_fifty_stand_on_a_page_and_the_rest_on_the_next(cast: Cast, world: World, sign_in: Any) -> None:
    for number in range(60):
        make_patient(f"Demo{number:03d}", "Case", timezone.localdate(), f"7{number:03d}", unit=world.acute)
    client = sign_in(cast.lead)
    first = client.get(reverse("patients")).content.decode()
    assert first.count('class="who"') == 50
    address = first.split('rel="next" href="')[1].split('"')[0].replace("&amp;", "&")
    second = client.get(reverse("patients") + address).content.decode()
    assert second.count('class="who"') == 14


def test_a_patient_is_entered_by_hand_and_a_wrong_check_digit_is_asked_about_once(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client = sign_in(cast.lead)
    answer = client.post(reverse("patient-new"), TAM | {"national_number": "943 476 5918"})
    assert answer.status_code == 422
    assert "check digit" in answer.content.decode()
    again = TAM | {"national_number": "943 476 5918", "number_is_right": "on"}
    assert client.post(reverse("patient-new"), again).status_code == 302
    assert Patient.objects.get(identity__record_number="204130001").sex == "unknown"


def test_no_diagnosis_is_chosen_for_whoever_enters_a_patient(cast: Cast, sign_in: Any) -> None:
    client = sign_in(cast.lead)
    select = client.get(reverse("patient-new")).content.decode().split('name="diagnosis_group"')[1]
    assert select.split("</option>")[0].rstrip().endswith("Choose one")
    answer = client.post(reverse("patient-new"), {**TAM, "diagnosis_group": ""})
    assert answer.status_code == 422
    assert not Patient.objects.filter(identity__record_number="204130001").exists()


def test_a_number_in_use_shows_whose_it_is(cast: Cast, world: World, sign_in: Any) -> None:
    answer = sign_in(cast.lead).post(reverse("patient-new"), TAM | {"record_number": "204118553"})
    assert answer.status_code == 422
    assert "MOSSWATER, Bryn" in answer.content.decode()
    assert "14-Mar-1958" in answer.content.decode()


def read_in(page: str) -> list[tuple[Any, Any]]:
    rows = AuditEvent.objects.filter(action="read", subject_id=page).order_by("pk")
    return [(row.patient_id, row.actor_id) for row in rows]


def test_each_identity_shown_to_whoever_enters_a_similar_one_stands_in_the_trail(
    cast: Cast, world: World, sign_in: Any
) -> None:
    """The outsider may open none of these records and is shown who they are: the trail says to whom."""
    client = sign_in(cast.outsider)
    client.get(reverse("patient-new"))
    client.post(reverse("patient-new"), TAM | {"family_name": ""})
    assert read_in("patient-new") == []
    page = client.post(reverse("patient-new"), TAM | {"record_number": "204118553"}).content.decode()
    assert "MOSSWATER, Bryn" in page
    assert read_in("patient-new") == [(world.mosswater.pk, cast.outsider.pk)]
    twin = make_patient("Moswater", "Brin", date(1958, 3, 14), "204118554", unit=world.acute)
    near = {"family_name": "Mosswater", "given_name": "Brin", "birth_date_day": "14", "birth_date_month": "mar",
            "birth_date_year": "1958"}  # fmt: skip
    page = client.post(reverse("patient-new"), TAM | near).content.decode()
    assert "MOSSWATER, Bryn" in page
    assert "MOSWATER, Brin" in page
    assert sorted(read_in("patient-new")[1:], key=str) == sorted(
        [(world.mosswater.pk, cast.outsider.pk), (twin.pk, cast.outsider.pk)], key=str
    )
    assert "MOSSWATER" not in str(list(AuditEvent.objects.values())).upper()


def test_whose_number_it_is_shown_while_an_identity_is_corrected_stands_in_the_trail(
    cast: Cast, world: World, sign_in: Any
) -> None:
    address = reverse("patient-identity", args=[world.mosswater.pk])
    answer = sign_in(cast.therapist).post(
        address,
        TAM
        | {"record_number": "204117940", "reason": "Misread.", "version": world.mosswater.identity.version},
    )
    assert answer.status_code == 422
    assert "THISTLEDOWN, Oona" in answer.content.decode()
    assert read_in("patient-identity") == [(world.thistledown.pk, cast.therapist.pk)]


def test_the_record_has_the_banner_and_opening_it_is_audited(cast: Cast, world: World, sign_in: Any) -> None:
    page = sign_in(cast.therapist).get(reverse("patient-record", args=[world.mosswater.pk])).content.decode()
    for words in ("MOSSWATER, Bryn", "14-Mar-1958 (", "204 118 553", "Acute ward, room 12", "Not recorded"):
        assert words in page
    row = AuditEvent.objects.get(action="read")
    assert (row.patient_id, row.actor_id, row.subject_id) == (
        world.mosswater.pk,
        cast.therapist.pk,
        "patient-record",
    )


def identity_form(world: World, **changes: str) -> dict[str, str]:
    form = TAM | {
        "family_name": "Mosswater", "given_name": "Bryn", "birth_date_day": "14", "birth_date_month": "3",
        "birth_date_year": "1958", "record_number": "204118553", "reason": "Read again.", "version": "1",
    }  # fmt: skip
    return form | changes


def test_a_corrected_identity_wants_a_reason_and_shows_at_once(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client, address = sign_in(cast.therapist), reverse("patient-identity", args=[world.mosswater.pk])
    assert 'value="Mosswater"' in client.get(address).content.decode()
    assert client.post(address, identity_form(world, given_name="Brin", reason="")).status_code == 422
    page = client.post(address, identity_form(world, given_name="Brin"), follow=True).content.decode()
    assert "MOSSWATER, Brin" in page


def test_who_saves_over_somebody_elses_change_is_shown_both_and_nothing_is_stored(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client, address = sign_in(cast.therapist), reverse("patient-details", args=[world.mosswater.pk])
    form = {"diagnosis_group": "bronchiectasis", "unit": world.acute.pk, "sex": "male", "version": "1"}
    assert client.post(address, form | {"room": "14"}).status_code == 302
    answer = client.post(address, form | {"room": "15"})
    assert answer.status_code == 422
    assert "Stored now" in answer.content.decode()
    assert Patient.objects.get(pk=world.mosswater.pk).room == "14"


@pytest.mark.parametrize(
    "case",
    [
        ("patient-isolation", {}, {"kind": "airborne", "words": "mask"}, "Airborne precautions: mask"),
        ("patient-goal", {"words": ""}, {"words": "Home by Friday."}, "Home by Friday."),
        (
            "patient-spo2-target",
            {"low_percent": "92", "high_percent": "88", "reason": "x"},
            {"low_percent": "88", "high_percent": "92", "stop_below_percent": "85", "reason": "Dr Larkspur"},
            "88 to 92",
        ),
    ],
)
def test_what_is_in_force_is_set_on_a_page_of_its_own(
    cast: Cast, world: World, sign_in: Any, case: tuple[str, dict[str, str], dict[str, str], str]
) -> None:
    name, bad, good, words = case
    client, address = sign_in(cast.therapist), reverse(name, args=[world.mosswater.pk])
    assert "supports a decision" in client.get(address).content.decode()
    assert client.post(address, bad).status_code == 422
    assert client.post(address, good).status_code == 302
    assert words in client.get(reverse("patient-record", args=[world.mosswater.pk])).content.decode()


def test_a_discharge_repeats_who_it_is_about_and_ends_the_therapists_access(
    cast: Cast, world: World, sign_in: Any
) -> None:
    client, address = sign_in(cast.therapist), reverse("patient-leaving", args=[world.mosswater.pk])
    page = client.get(address).content.decode()
    assert page.count("204 118 553") == 2
    now = timezone.localtime()
    form = {
        "how": "discharged",
        "reason": "Home.",
        "at_day": now.day,
        "at_month": now.month,
        "at_year": now.year,
        "at_time": "00:00",
    }
    assert client.post(address, form | {"reason": ""}).status_code == 422
    assert client.post(address, form).status_code == 302
    assert client.get(address).status_code == 404


def test_only_the_lead_reads_who_opened_a_record(cast: Cast, world: World, sign_in: Any) -> None:
    sign_in(cast.therapist).get(reverse("patient-record", args=[world.mosswater.pk]))
    address = reverse("patient-trail", args=[world.mosswater.pk])
    assert sign_in(cast.therapist).get(address).status_code == 403
    assert "R. Quillfeather" in sign_in(cast.lead).get(address).content.decode()


NAMES = (
    "patient-record", "patient-identity", "patient-details", "patient-isolation", "patient-goal", "patient-spo2-target",
    "patient-leaving", "handover",
)  # fmt: skip


def test_another_therapists_patient_is_not_there_and_managers_see_no_patient_page(
    cast: Cast, world: World, sign_in: Any
) -> None:
    for name in NAMES:
        address = reverse(name, args=[world.mosswater.pk])
        for person, status in (
            (cast.colleague, 404),
            (cast.outsider, 404),
            (cast.manager, 403),
            (cast.administrator, 403),
        ):
            client = sign_in(person)
            assert client.get(address).status_code == status, name
            if name != "patient-record":
                assert client.post(address, {}).status_code == status, name
    for name in ("patients", "patient-new"):
        assert sign_in(cast.manager).get(reverse(name)).status_code == 403


def test_the_list_and_the_record_cost_the_same_number_of_queries_however_many_there_are(
    cast: Cast, world: World, sign_in: Any, django_assert_max_num_queries: Any
) -> None:
    client = sign_in(cast.lead)
    with django_assert_max_num_queries(6) as few:
        client.get(reverse("patients"))
    for number in range(20):
        make_patient(f"Demo{number:03d}", "Case", timezone.localdate(), f"7{number:03d}", unit=world.acute)
    with django_assert_max_num_queries(len(few.captured_queries)):
        client.get(reverse("patients"))
    with django_assert_max_num_queries(16):
        client.get(reverse("patient-record", args=[world.mosswater.pk]))
