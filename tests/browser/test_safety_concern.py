"""Reporting a safety concern in the browser: by keyboard from any page, and without losing a word."""

import pytest
from django.conf import settings
from django.urls import reverse

from clinic.models import SafetyConcern
from clinic.staff.roles import Role
from tests.browser.seen import whoever_has_most
from tests.browser.stage import Stage
from tests.conftest import PASSWORD

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_a_concern_is_reported_from_a_page_with_the_keyboard_alone(any_clinic: Stage) -> None:
    """WCAG 2.2, 2.1.1: every function with the keyboard."""
    page = any_clinic.tab(Role.MANAGER)
    page.goto(reverse("about"))
    page.get_by_role("link", name="Report a safety concern").focus()
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Report a safety concern").wait_for()
    page.keyboard.press("Tab")  # the skip link
    page.get_by_label("What happened").focus()
    page.keyboard.type("The figure of last week is not the one I was told.")
    page.get_by_role("button", name="Report the concern").focus()
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Safety concern", exact=True).wait_for()
    kept = SafetyConcern.objects.latest("at")
    assert (kept.page, kept.role) == ("/about/", "manager")
    assert kept.words == "The figure of last week is not the one I was told."


def test_what_was_typed_is_back_after_the_sign_in_ran_out_and_gone_once_it_is_reported(
    any_clinic: Stage,
) -> None:
    """WCAG 2.2, 2.2.5: no data is lost by signing in again."""
    person = whoever_has_most(Role.ADMINISTRATOR)
    person.set_password(PASSWORD)
    person.save()
    any_clinic.close_tabs()
    page = any_clinic.tab(Role.ADMINISTRATOR)
    address = f"{reverse('safety-concern-report')}?page=/about/"
    page.goto(address)
    page.get_by_label("What happened").fill("An account that was closed could sign in.")
    page.get_by_role("radio", name="Somebody saw what they should not").check()
    page.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    page.get_by_role("button", name="Report the concern").click()
    page.get_by_role("heading", name="Sign in").wait_for()
    assert not SafetyConcern.objects.filter(role="administrator").exists()
    page.get_by_label("Name").fill(person.username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.get_by_role("heading", name="Report a safety concern").wait_for()
    page.wait_for_function("() => document.querySelector('textarea').value.includes('closed could sign in')")
    page.get_by_role("button", name="Report the concern").click()
    page.get_by_role("heading", name="Safety concern", exact=True).wait_for()
    kept = SafetyConcern.objects.get(role="administrator")
    assert (kept.words, kept.kind) == ("An account that was closed could sign in.", "access")
    page.goto(address)
    assert page.get_by_label("What happened").input_value() == ""
    any_clinic.close_tabs()
