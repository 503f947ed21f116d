"""The holds page of a patient: what is on hold, who decides by when, what is still allowed, who was told."""

from datetime import timedelta

import pytest
from django.urls import reverse

from clinic.attention import services as attention
from clinic.attention.models import Notice, Told
from clinic.models import Referral
from screening import hold_services, table
from screening import services as screenings
from tests.conftest import NOW
from tests.therapy.sessions.test_views import fields_of, text
from therapy.orders import services as orders

pytestmark = pytest.mark.django_db
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture
def held(world, cast, ordered):
    """PEP and breathing techniques are ordered; a nosebleed holds the first."""
    world.acute.phone = "4480"
    world.acute.save()
    cast.lead.phone = "2210"
    cast.lead.save()
    ordered(world.mosswater, "pep")
    ordered(world.mosswater, "breathing_techniques")
    screenings.record_screening(
        by=cast.therapist, patient=world.mosswater, answers=ALL_NO | {"epistaxis": "yes"}, at=NOW
    )
    return world.mosswater


@pytest.fixture
def client(sign_in, cast):
    return sign_in(cast.therapist)


def page(client, patient):
    return text(client.get(reverse("patient-holds", args=[patient.pk])))


def test_a_hold_says_which_since_when_who_decides_by_when_and_what_is_still_allowed(client, held):
    said = page(client, held)
    assert "On hold A hold of the screening ends by screening again or by a decision" in said
    assert "Since 25-Nov-2026 09:41" in said
    assert "Epistaxis: a clinician must decide" in said
    assert "The prescriber or another licensed clinician, by 25-Nov-2026 10:41" in said
    assert "Ordered and not on hold Breathing techniques, each after its own check" in said
    assert "Incentive spirometry: No contraindication found" in said
    assert "not a recommendation" in said


def test_a_guards_hold_has_a_way_to_screen_again_and_none_to_release_it(client, held):
    response = client.get(reverse("patient-holds", args=[held.pk])).content.decode()
    assert reverse("screening-new", args=[held.pk]) in response
    assert "resume" not in response


def test_whom_to_ring_stands_there_with_the_numbers_that_are_stored(client, held, cast):
    Referral.objects.create(
        patient=held, source="written", urgency="soon", reason="r", referrer="Dr Larkspur",
        referrer_phone="4471", received_at=NOW,
    )  # fmt: skip
    said = page(client, held)
    for words in (
        "Acute ward, 4480",
        "Dr Larkspur, 4471",
        "M. Saltmarsh, 2210",
        "R. Quillfeather (no number recorded)",
    ):
        assert words in said


def test_who_was_told_when_and_what_they_said_stands_there(client, held, cast):
    attention.answer(Notice.objects.get(to=cast.lead), by=cast.lead, words="On my way.")
    form = fields_of(client.get(reverse("patient-holds", args=[held.pk])))
    sent = {name: value[0] for name, value in form.items()} | {
        "technique": "pep", "who": "Dr Burnet, on call", "how": "in_person", "said": "Wait for the film",
    }  # fmt: skip
    assert client.post(reverse("patient-holds", args=[held.pk]), sent).status_code == 302
    said = page(client, held)
    assert "M. Saltmarsh , in the app, 25-Nov-2026 09:41: Read 25-Nov-2026 09:41: On my way." in said
    assert "Dr Burnet, on call , in person, 25-Nov-2026 09:41: Wait for the film." in said


def test_an_incomplete_form_comes_back_and_records_nothing(client, held):
    again = client.post(reverse("patient-holds", args=[held.pk]), {"who": "Dr Burnet"})
    assert again.status_code == 422
    assert not Told.objects.exists()


def test_an_overdue_decision_is_shown_and_told_once_more(client, held, clock):
    clock.move_to(NOW + timedelta(minutes=75))
    assert hold_services.tell_overdue(at=NOW + timedelta(minutes=75)) == 1
    said = page(client, held)
    assert "Stop: Overdue. A decision was due by 25-Nov-2026 10:41, 15 min ago." in said
    assert said.count("in the app") == 3, "the lead at first, then the lead and the therapist"


def test_a_persons_hold_is_told_too_and_may_be_resumed(client, world, cast, ordered):
    order = ordered(world.mosswater, "pep")
    orders.hold(by=cast.therapist, order=order, reason="Belly pain", decides="Dr Burnet",
                decide_by=NOW + timedelta(hours=2))  # fmt: skip
    said = page(client, world.mosswater)
    assert "Dr Burnet, by 25-Nov-2026 11:41" in said
    assert "M. Saltmarsh , in the app" in said
    assert "Held by R. Quillfeather. Resume PEP" in said


def test_without_a_hold_the_page_says_so_and_offers_no_form(client, world, ordered):
    ordered(world.mosswater, "pep")
    said = page(client, world.mosswater)
    assert "Nothing is on hold" in said
    assert "Record who was told" not in said


def test_the_page_costs_the_same_queries_with_more_holds_and_more_who_were_told(
    client, held, cast, ordered, django_assert_max_num_queries
):
    address = reverse("patient-holds", args=[held.pk])
    client.get(address)
    with django_assert_max_num_queries(40) as few:
        client.get(address)
    screenings.record_screening(
        by=cast.therapist, patient=held, at=NOW,
        answers=ALL_NO | {"epistaxis": "yes", "bronchospasm_severe": "yes"},
    )  # fmt: skip
    attention.record_told(
        by=cast.therapist, patient=held, who="Dr Burnet", how="phone", at=NOW, said="Comes", technique="pep"
    )
    with django_assert_max_num_queries(len(few.captured_queries)):
        client.get(address)
