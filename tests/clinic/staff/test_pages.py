"""The pages of accounts and of the team, walked as administrator, lead and therapist."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.models import Absence, Competency, Person, Shift
from clinic.staff import selectors
from tests.conftest import PASSWORD, Cast

pytestmark = pytest.mark.django_db
HERON = {
    "given_name": "Sunniva", "family_name": "Heron", "role": "therapist", "profession": "therapist", "phone": "4471",
    "username": "heron", "password": PASSWORD,
}  # fmt: skip


def test_the_administrator_opens_changes_and_closes_an_account(cast: Cast, sign_in: Any, client: Any) -> None:
    admin = sign_in(cast.administrator)
    answer = admin.post(reverse("account-new"), HERON | {"password": "short"})
    assert answer.status_code == 422
    assert "short" not in answer.content.decode().replace("too short", "")
    assert "Sunniva Heron" in admin.post(reverse("account-new"), HERON, follow=True).content.decode()
    person = Person.objects.get(username="heron")
    assert client.login(username="heron", password=PASSWORD)
    admin.post(reverse("account", args=[person.pk]), HERON | {"licensed": "on"})
    assert Person.objects.get(pk=person.pk).licensed
    assert (
        "All sessions end at once" in admin.get(reverse("account-close", args=[person.pk])).content.decode()
    )
    admin.post(reverse("account-close", args=[person.pk]))
    assert client.get(reverse("attention")).status_code == 302
    assert "Closed" in admin.get(reverse("accounts")).content.decode()
    admin.post(reverse("account-password", args=[person.pk]), {"password": "another long phrase 9"})
    assert client.login(username="heron", password="another long phrase 9")


def test_an_administrator_cannot_close_the_own_account(cast: Cast, sign_in: Any) -> None:
    answer = sign_in(cast.administrator).post(reverse("account-close", args=[cast.administrator.pk]))
    assert answer.status_code == 422
    assert "your own account" in answer.content.decode()


def test_nobody_else_reaches_the_accounts(cast: Cast, sign_in: Any) -> None:
    for person in (cast.lead, cast.therapist, cast.manager):
        client = sign_in(person)
        for name, arguments in (
            ("accounts", []), ("account-new", []), ("account", [cast.colleague.pk]),
            ("account-password", [cast.colleague.pk]), ("account-close", [cast.colleague.pk]),
        ):  # fmt: skip
            assert client.get(reverse(name, args=arguments)).status_code == 403
            assert client.post(reverse(name, args=arguments), {}).status_code == 403


def test_the_lead_adds_a_week_of_shifts_in_one_go_and_takes_one_out(cast: Cast, sign_in: Any) -> None:
    client, address = sign_in(cast.lead), reverse("shifts", args=[cast.therapist.pk]) + "?week=2026-W48"
    days = [date(2026, 11, 23) + timedelta(days=day) for day in range(5)]
    form = {
        "days": [day.isoformat() for day in days],
        "starts_at": "8:00",
        "ends_at": "1600",
        "break_from": "12:00",
        "break_to": "12:30",
    }
    assert client.post(address, form | {"days": []}).status_code == 422
    page = client.post(address, form, follow=True).content.decode()
    assert page.count("08:00 to 16:00") == 5
    assert "37 h 30 min" in page
    assert client.post(address, form).status_code == 422
    page = client.post(
        reverse("shift-cancel", args=[Shift.objects.earliest("start").pk]), follow=True
    ).content.decode()
    assert "30 h" in page


def test_a_week_that_is_none_is_this_week() -> None:
    today = date(2026, 11, 25)
    assert selectors.monday_of("2026-W48", today=today) == date(2026, 11, 23)
    assert selectors.monday_of("2026-W53", today=today) == date(2026, 12, 28), (
        "2026 has 53 ISO weeks (ISO 8601)"
    )
    for nonsense in ("", "x", "2027-W53", "2026-W99"):
        assert selectors.monday_of(nonsense, today=today) == date(2026, 11, 23)


def absence_form(**changes: Any) -> dict[str, Any]:
    now = timezone.localtime()
    tomorrow = now + timedelta(days=1)
    return {
        "reason": "sick", "start_day": now.day, "start_month": now.month, "start_year": now.year, "start_time": "00:00",
        "end_day": tomorrow.day, "end_month": tomorrow.month, "end_year": tomorrow.year, "end_time": "23:00",
    } | changes  # fmt: skip


def test_the_lead_marks_somebody_absent_and_back(cast: Cast, sign_in: Any) -> None:
    client, address = sign_in(cast.lead), reverse("absent", args=[cast.therapist.pk])
    assert client.post(address, absence_form(reason="")).status_code == 422
    assert client.post(address, absence_form()).status_code == 302
    assert "Off sick" in client.get(reverse("staff")).content.decode()
    assert client.post(address, absence_form()).status_code == 422
    client.post(reverse("absence-end", args=[Absence.objects.get().pk]))
    assert Absence.objects.get().end <= timezone.now()
    page = client.post(reverse("absence-end", args=[Absence.objects.get().pk]), follow=True).content.decode()
    assert "has ended already" in page


def test_a_therapist_reports_sick_alone_and_for_nobody_else(cast: Cast, sign_in: Any) -> None:
    client = sign_in(cast.therapist)
    assert client.post(reverse("absent", args=[cast.therapist.pk]), absence_form()).status_code == 302
    assert client.get(reverse("absent", args=[cast.colleague.pk])).status_code == 404
    assert (
        sign_in(cast.colleague).post(reverse("absence-end", args=[Absence.objects.get().pk])).status_code
        == 404
    )
    assert client.get(reverse("staff")).status_code == 403


def test_training_is_noted_with_its_last_day(cast: Cast, sign_in: Any) -> None:
    client, address = sign_in(cast.lead), reverse("training", args=[cast.therapist.pk])
    form = {"technique": "mi_e", "valid_from_day": "1", "valid_from_month": "Jan", "valid_from_year": "2026"}
    page = client.post(address, form, follow=True).content.decode()
    assert "MI-E" in page
    assert "Until further notice" in page
    wrong = form | {"valid_until_day": "1", "valid_until_month": "Jan", "valid_until_year": "2025"}
    assert client.post(address, wrong).status_code == 422
    assert Competency.objects.count() == 1


def test_a_week_of_the_team_costs_the_same_number_of_queries_for_few_and_for_many(
    cast: Cast, sign_in: Any, django_assert_max_num_queries: Any
) -> None:
    client = sign_in(cast.lead)
    with django_assert_max_num_queries(7) as few:
        client.get(reverse("staff"))
    for number in range(10):
        Person.objects.create_person(
            f"demo{number}", given_name="A", family_name=f"B{number}", role="therapist"
        )
    with django_assert_max_num_queries(len(few.captured_queries)):
        client.get(reverse("staff"))
