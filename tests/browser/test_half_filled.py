"""A treatment half filled in when the session ran out comes back after signing in, once, and only for today."""

from collections.abc import Iterator
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.urls import reverse
from playwright.sync_api import Page

from clinic.models import Person
from clinic.staff.roles import Role
from tests.browser.parts.sessions import go_to_confirm, the_therapist, to_record
from tests.browser.stage import Stage
from therapy.models import TreatmentSession

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PHRASE = "seven herons over still water"
TYPED = {
    "before_spo2": "93",
    "before_pulse": "101",
    "after_spo2": "95",
    "notes": "Sits better with the table raised",
}


@pytest.fixture
def therapist(demo_clinic: Stage) -> Iterator[Person]:
    """Whose tab it is; every tab is signed in anew afterwards."""
    person = the_therapist()
    person.set_password(PHRASE)
    person.save(update_fields=["password"])
    demo_clinic.close_tabs()
    yield person
    demo_clinic.close_tabs()


@pytest.fixture
def page(demo_clinic: Stage, therapist: Person) -> Page:
    """The record page, half filled in."""
    page = demo_clinic.tab(Role.THERAPIST)
    page.goto(reverse("treat-record", kwargs=to_record()))
    for name, value in TYPED.items():
        page.locator(f"[name={name}]").fill(value)
    page.locator("[name=sputum][value=none]").check()
    return page


def the_session_runs_out() -> None:
    """As after the hours that a sign-in lasts at most."""
    Session.objects.all().delete()


def sign_in_again(page: Page, person: Person) -> None:
    page.get_by_label("Name").fill(person.username)
    page.get_by_label("Password").fill(PHRASE)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.locator("form[data-draft]").wait_for()


def filled(page: Page) -> dict[str, Any]:
    return {name: page.locator(f"[name={name}]").input_value() for name in TYPED}


def test_a_half_typed_treatment_comes_back_after_signing_in_and_makes_one_record(
    page: Page, therapist: Person
) -> None:
    record_id = page.locator("[name=record_id]").input_value()
    the_session_runs_out()
    page.locator("button[value=check]").click()
    page.get_by_label("Password").wait_for()
    sign_in_again(page, therapist)
    assert filled(page) == TYPED
    assert page.locator("[name=sputum][value=none]").is_checked()
    assert page.locator("[name=record_id]").input_value() == record_id
    assert page.get_by_text("Your draft is back.").first.is_visible()
    assert not TreatmentSession.objects.filter(pk=record_id).exists()
    go_to_confirm(page)
    page.locator("button[value=record]").click()
    page.locator("[data-draft-done]").wait_for()
    assert TreatmentSession.objects.filter(pk=record_id).count() == 1
    page.goto(reverse("treat-record", kwargs=to_record()))
    assert page.locator("[name=before_spo2]").input_value() == ""
    assert page.locator("[name=record_id]").input_value() != record_id


def test_numbers_typed_after_the_session_ran_out_say_so_and_stay(page: Page, therapist: Person) -> None:
    """htmx would follow a redirect in silence and show the sign-in page among the numbers of a patient."""
    the_session_runs_out()
    page.locator("[name=after_spo2]").fill("90")
    page.locator("[name=after_pulse]").fill("104")
    page.locator("#findings .signed-out").wait_for()
    assert page.locator("#findings form").count() == 0
    page.get_by_role("link", name="Sign in again").click()
    sign_in_again(page, therapist)
    assert filled(page) == TYPED | {"after_spo2": "90"}
    assert page.locator("[name=after_pulse]").input_value() == "104"
    # What was typed can be thrown away, and then it is gone.
    page.get_by_role("button", name="Throw the draft away").click()
    page.wait_for_function("() => document.querySelector('[name=before_spo2]')?.value === ''")
    page.reload()
    assert page.locator("[name=before_spo2]").input_value() == ""
    assert page.locator("[data-draft-back]").is_hidden()


def test_a_draft_of_yesterday_fills_in_no_treatment_of_today(page: Page) -> None:
    page.evaluate(
        """() => { for (const key of Object.keys(sessionStorage).filter(one => one.startsWith('draft:'))) {
          const draft = JSON.parse(sessionStorage.getItem(key));
          draft.at -= 13 * 3600 * 1000;
          sessionStorage.setItem(key, JSON.stringify(draft));
        } }"""
    )
    page.reload()
    assert page.locator("[name=before_spo2]").input_value() == ""
    assert page.evaluate("() => Object.keys(sessionStorage).some(one => one.startsWith('draft:'))") is False


def test_the_draft_of_one_person_is_not_shown_to_the_next_at_the_same_tablet(
    page: Page, demo_clinic: Stage
) -> None:
    lead = Person.objects.filter(role=Role.LEAD).earliest("pk")
    lead.set_password(PHRASE)
    lead.save(update_fields=["password"])
    the_session_runs_out()
    page.reload()
    sign_in_again(page, lead)
    assert page.locator("[name=before_spo2]").input_value() == ""
