"""Accounts, shifts, absences: what may be done by whom."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from clinic.access import NotPermitted
from clinic.audit.models import AuditEvent
from clinic.models import Absence, Person, Shift
from clinic.records import Refused
from clinic.staff import selectors, services
from tests.conftest import NOW, PASSWORD, Cast

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)
HERON = {
    "given_name": "Sunniva",
    "family_name": "Heron",
    "role": "therapist",
    "licensed": True,
    "phone": "4471",
}


def open_account(cast: Cast, **changes: Any) -> Person:
    return services.add_account(
        by=cast.administrator, username="heron", password=PASSWORD, **{**HERON, **changes}
    )


def test_the_administrator_opens_an_account_that_can_sign_in(cast: Cast, client: Any) -> None:
    open_account(cast)
    assert client.login(username="heron", password=PASSWORD)
    assert "Heron" not in str(AuditEvent.objects.get(action="account opened").__dict__)


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("given_name", {"given_name": " "}),
        ("family_name", {"family_name": ""}),
        ("role", {"role": "surgeon"}),
        ("licensed", {"role": "manager"}),
        ("profession", {"profession": "juggler"}),
    ],
)
def test_an_account_that_cannot_be_is_refused_by_the_field(
    cast: Cast, field: str, changes: dict[str, object]
) -> None:
    with pytest.raises(Refused) as refused:
        open_account(cast, **changes)
    assert refused.value.field == field


def test_a_name_to_sign_in_with_is_taken_once_whatever_its_case(cast: Cast) -> None:
    open_account(cast)
    with pytest.raises(Refused) as refused:
        services.add_account(by=cast.administrator, username="HERON ", password=PASSWORD, **HERON)
    assert refused.value.field == "username"


@pytest.mark.parametrize("password", ["short", "quillfeather", ""])
def test_a_weak_password_is_refused(cast: Cast, password: str) -> None:
    with pytest.raises(Refused) as refused:
        services.set_password(cast.therapist, by=cast.administrator, password=password)
    assert refused.value.field == "password"


def test_only_the_administrator_touches_accounts(cast: Cast) -> None:
    for person in (cast.lead, cast.therapist, cast.manager):
        with pytest.raises(NotPermitted):
            services.add_account(by=person, username="heron", password=PASSWORD, **HERON)
        with pytest.raises(NotPermitted):
            services.change_account(cast.colleague, by=person, changes={"role": "lead"})
        with pytest.raises(NotPermitted):
            services.close_account(cast.colleague, by=person)
        with pytest.raises(NotPermitted):
            services.set_password(cast.colleague, by=person, password=PASSWORD)


def test_closing_an_account_ends_all_its_sessions_for_good(cast: Cast, sign_in: Any) -> None:
    """OWASP ASVS 5.0, V7.4: all sessions end when an account is disabled."""
    client = sign_in(cast.therapist)
    assert client.get(reverse("attention")).status_code == 200
    services.close_account(cast.therapist, by=cast.administrator)
    assert client.get(reverse("attention")).status_code == 302
    services.reopen_account(cast.therapist, by=cast.administrator, password=PASSWORD)
    assert client.get(reverse("attention")).status_code == 302


def test_a_new_password_ends_the_sessions_of_the_old_one(cast: Cast, sign_in: Any) -> None:
    client = sign_in(cast.therapist)
    services.set_password(cast.therapist, by=cast.administrator, password="another long phrase 7")
    assert client.get(reverse("attention")).status_code == 302


def test_one_administrator_always_stays(cast: Cast) -> None:
    with pytest.raises(Refused):
        services.close_account(cast.administrator, by=cast.administrator)
    with pytest.raises(Refused):
        services.change_account(cast.administrator, by=cast.administrator, changes={"role": "lead"})


def test_a_changed_role_is_audited_with_what_it_was(cast: Cast) -> None:
    services.change_account(cast.colleague, by=cast.administrator, changes={"licensed": True, "phone": "12"})
    assert AuditEvent.objects.get(action="account changed").changed == ["licensed: False to True", "phone"]


def week(cast: Cast, **changes: Any) -> list[Shift]:
    fields = {
        "days": [TODAY, TODAY + timedelta(days=1)], "starts_at": time(8), "ends_at": time(16), "break_from": time(12),
        "break_to": time(12, 30), "by": cast.lead,
    }  # fmt: skip
    return services.add_shifts(cast.therapist, **{**fields, **changes})


def test_shifts_of_a_week_are_added_at_once_with_their_breaks(cast: Cast) -> None:
    assert len(week(cast)) == 2
    present = selectors.presence(TODAY, [cast.therapist])[0]
    assert present.minutes == 450
    assert present.has_shift


def test_where_one_shift_overlaps_none_is_added_and_a_cancelled_one_is_not_in_the_way(cast: Cast) -> None:
    first = week(cast, days=[TODAY + timedelta(days=1)])[0]
    with pytest.raises(Refused, match="26-Nov-2026"):
        week(cast)
    assert Shift.objects.count() == 1
    assert services.cancel_shift(first, by=cast.lead)
    assert not services.cancel_shift(first, by=cast.lead)
    assert len(week(cast)) == 2


def test_a_night_shift_ends_on_the_next_day(cast: Cast) -> None:
    shift = week(
        cast, days=[TODAY], starts_at=time(22), ends_at=time(6), break_from=time(2), break_to=time(2, 30)
    )[0]
    assert shift.end - shift.start == timedelta(hours=8)
    assert selectors.presence(TODAY, [cast.therapist])[0].minutes == 120
    assert selectors.presence(TODAY + timedelta(days=1), [cast.therapist])[0].minutes == 330


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("break_from", {"break_from": time(7), "break_to": time(7, 30)}),
        ("break_to", {"break_to": None}),
        ("days", {"days": []}),
    ],
)
def test_a_shift_that_cannot_be_is_refused(cast: Cast, field: str, changes: dict[str, object]) -> None:
    with pytest.raises(Refused) as refused:
        week(cast, **changes)
    assert refused.value.field == field


def test_only_the_lead_writes_shifts_and_only_for_whoever_treats(cast: Cast) -> None:
    with pytest.raises(NotPermitted):
        week(cast, by=cast.therapist)
    with pytest.raises(Refused):
        services.add_shifts(cast.manager, by=cast.lead, days=[TODAY], starts_at=time(8), ends_at=time(16))


def absent(cast: Cast, **changes: Any) -> Absence:
    fields = {"by": cast.lead, "start": NOW, "end": NOW + timedelta(hours=12), "reason": "sick"}
    return services.mark_absent(cast.therapist, **{**fields, **changes})


def test_an_absence_is_taken_out_of_presence(cast: Cast) -> None:
    week(cast)
    absence = absent(
        cast, start=datetime(2026, 11, 25, 8, tzinfo=UTC), end=datetime(2026, 11, 25, 23, tzinfo=UTC)
    )
    present = selectors.presence(TODAY, [cast.therapist])[0]
    assert (present.minutes, present.absence) == (0, absence)


def test_a_therapist_reports_sick_alone_but_nobody_else(cast: Cast) -> None:
    absent(cast, by=cast.therapist)
    with pytest.raises(NotPermitted):
        services.mark_absent(
            cast.colleague, by=cast.therapist, start=NOW, end=NOW + timedelta(hours=1), reason="sick"
        )


@pytest.mark.parametrize(("field", "changes"), [("end", {"end": NOW}), ("reason", {"reason": "tired"})])
def test_an_absence_that_cannot_be_is_refused(cast: Cast, field: str, changes: dict[str, object]) -> None:
    with pytest.raises(Refused) as refused:
        absent(cast, **changes)
    assert refused.value.field == field


def test_nobody_is_absent_twice_at_once(cast: Cast) -> None:
    absent(cast)
    with pytest.raises(Refused):
        absent(cast, start=NOW + timedelta(hours=1))


def test_who_comes_back_early_is_present_from_then_on(cast: Cast) -> None:
    absence = absent(cast)
    with time_machine.travel(NOW + timedelta(hours=2), tick=False):
        services.end_absence(absence, by=cast.lead)
        assert absence.end == timezone.now()
        with pytest.raises(Refused):
            services.end_absence(absence, by=cast.lead)
    ahead = absent(cast, start=NOW + timedelta(days=2), end=NOW + timedelta(days=3))
    with time_machine.travel(NOW, tick=False):
        services.end_absence(ahead, by=cast.lead)
    assert ahead.cancelled


def test_presence_of_everybody_takes_three_queries(cast: Cast, django_assert_num_queries: Any) -> None:
    week(cast)
    with django_assert_num_queries(3):
        assert len(selectors.presence(TODAY)) == 3


def test_a_competency_has_a_first_and_a_last_day(cast: Cast) -> None:
    row = services.set_competency(cast.therapist, by=cast.lead, technique="mi_e", valid_from=TODAY)
    again = services.set_competency(
        cast.therapist, by=cast.lead, technique="mi_e", valid_from=TODAY, valid_until=TODAY + timedelta(365)
    )
    assert row.pk == again.pk
    assert again.valid_until == TODAY + timedelta(days=365)
    with pytest.raises(Refused):
        services.set_competency(
            cast.therapist, by=cast.lead, technique="pep", valid_from=TODAY, valid_until=TODAY - timedelta(1)
        )
