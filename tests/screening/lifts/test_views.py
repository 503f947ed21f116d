"""The pages of lifts as two people meet them."""

import datetime as dt
import html
import re

import pytest
import time_machine
from django.urls import reverse

from clinic.audit.models import AuditEvent
from screening import ordered, services, table
from screening.lifts.models import Lift
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture(autouse=True)
def clock():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("mi_e",)))
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller
    ordered.told_by(before)


def screen(world, cast, at=NOW, **changed):
    return services.record_screening(
        by=cast.therapist, patient=world.mosswater, answers=ALL_NO | changed, at=at
    )


def address(world, condition="lung_abscess"):
    return reverse("screening-lift", args=[world.mosswater.pk, "mi_e", condition])


def result(client, world):
    return client.get(reverse("screening", args=[world.mosswater.pk])).content.decode()


def entered(client, world, **changed):
    hidden = re.search(r'name="lift_id" value="([^"]*)"', client.get(address(world)).content.decode())
    return client.post(
        address(world),
        {
            "lift_id": hidden.group(1),
            "prescriber_account": "none",
            "prescriber": "Dr Larkspur",
            "given": "written",
            "reason": "The abscess drains.",
            "expires_at_day": "26", "expires_at_month": "Nov", "expires_at_year": "2026", "expires_at_time": "09:00",
        } | changed,
    )  # fmt: skip


def test_the_result_offers_the_lift_and_after_two_signatures_says_by_whom_and_until_when(
    world, cast, sign_in
):
    screen(world, cast, lung_abscess="yes")
    first, second = sign_in(cast.therapist), sign_in(cast.lead)
    assert address(world) in result(first, world)
    answer = entered(first, world)
    lift = Lift.objects.get()
    assert answer.url == reverse("lift", args=[lift.pk])
    page = result(first, world)
    assert "Does not count yet" in page
    assert "Waits for a second licensed clinician" in page
    page = second.get(reverse("lift", args=[lift.pk])).content.decode()
    assert "You sign as the second licensed clinician" in page
    assert "Sign the lift for MOSSWATER, Bryn" in page
    assert second.post(reverse("lift", args=[lift.pk])).status_code == 302
    page = result(first, world)
    assert "Lifted for this patient</span> until 26-Nov-2026 09:00" in page
    assert "By Dr Larkspur and M. Saltmarsh" in page
    assert "Contraindicated: do not start" in page, "the screening reads as it was shown"
    check = first.get(reverse("bedside-check", args=[world.mosswater.pk, "mi_e"])).content.decode()
    assert "Lifted for this patient" in check


def test_whoever_entered_it_is_told_that_somebody_else_signs(world, cast, sign_in):
    screen(world, cast, lung_abscess="yes")
    client = sign_in(cast.therapist)
    entered(client, world)
    page = client.get(reverse("lift", args=[Lift.objects.get().pk])).content.decode()
    assert "Somebody else must sign" in page
    assert "You sign as" not in page
    assert client.post(reverse("lift", args=[Lift.objects.get().pk])).status_code == 422


def test_a_published_bar_shows_its_reason_and_source_and_takes_no_lift(world, cast, sign_in):
    screen(world, cast, vomiting_now="yes")
    client, cell = sign_in(cast.lead), table.current().cells["vomiting_now", "mi_e"]
    assert address(world, "vomiting_now") not in result(client, world)
    page = client.get(address(world, "vomiting_now")).content.decode()
    assert "Never lifted here" in page
    assert cell.reason in page
    assert '<form method="post" novalidate>' not in page
    sent = client.post(
        address(world, "vomiting_now"),
        {
            "lift_id": "01999999-0000-7000-8000-000000000001", "prescriber_account": str(cast.lead.pk),
            "reason": "r", "expires_at_day": "26", "expires_at_month": "Nov", "expires_at_year": "2026",
            "expires_at_time": "09:00",
        },
    )  # fmt: skip
    assert sent.status_code == 422
    assert table.current().cite(cell) in html.unescape(sent.content.decode())
    assert not Lift.objects.exists()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"prescriber_account": ""}, "The prescriber"),
        ({"prescriber": ""}, "Enter the name of the prescriber"),
        ({"given": ""}, "Choose how the prescriber gave it"),
        ({"prescriber": "Dr Mina Saltmarsh"}, "M. Saltmarsh has an account"),
        ({"reason": ""}, "Enter the reason"),
        ({"expires_at_year": "2027"}, "within 7 days"),
    ],
)
def test_what_is_wrong_comes_back_with_the_form(world, cast, sign_in, changed, words):
    screen(world, cast, lung_abscess="yes")
    answer = entered(sign_in(cast.therapist), world, **changed)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Lift.objects.exists()


def test_it_is_ended_early_on_its_own_page(world, cast, sign_in):
    screen(world, cast, lung_abscess="yes")
    client = sign_in(cast.therapist)
    entered(client, world)
    lift = Lift.objects.get()
    assert client.post(reverse("lift-end", args=[lift.pk]), {"reason": ""}).status_code == 422
    assert client.post(reverse("lift-end", args=[lift.pk]), {"reason": "No longer wanted"}).status_code == 302
    assert "No longer wanted" in result(client, world)


def test_nothing_barred_nothing_to_lift_and_no_stranger_sees_it(world, cast, sign_in):
    screen(world, cast, lung_abscess="yes")
    entered(sign_in(cast.therapist), world)
    lift = reverse("lift", args=[Lift.objects.get().pk])
    assert sign_in(cast.outsider).get(lift).status_code == 404
    assert sign_in(cast.therapist).get(address(world, "epistaxis")).status_code == 404
    assert AuditEvent.objects.filter(action="lift proposed").count() == 1


def test_the_result_page_costs_as_much_with_many_lifts_as_with_none(
    world, cast, sign_in, clock, django_assert_max_num_queries
):
    screen(world, cast, lung_abscess="yes")
    client = sign_in(cast.therapist)
    with django_assert_max_num_queries(26):
        result(client, world)
    for _ in range(3):
        entered(client, world)
        sign_in(cast.lead).post(reverse("lift", args=[Lift.objects.latest("created_at").pk]))
        clock.shift(dt.timedelta(minutes=1))
    with django_assert_max_num_queries(27):
        result(client, world)
