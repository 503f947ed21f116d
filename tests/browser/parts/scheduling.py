"""The day schedule."""

from typing import Any

from playwright.sync_api import Page

from clinic.staff.roles import Role
from tests.browser.seen import Seen
from therapy.models import DueWindow, ScheduledVisit


def a_free_window() -> dict[str, Any]:
    """An open window that nobody has."""
    windows = DueWindow.objects.filter(state="open", patient__state="active")
    return {
        "window_id": windows.exclude(visits__state__in=("scheduled", "begun", "done")).latest("earliest").pk
    }


def a_visit() -> dict[str, Any]:
    """A visit that has not begun."""
    return {"visit_id": ScheduledVisit.objects.filter(state="scheduled").latest("start").pk}


def open_one_form(page: Page) -> None:
    """Open the form of the first treatment that nobody has."""
    page.get_by_role("link", name="Give", exact=False).first.click()
    page.locator("#give-form").first.wait_for()


def without_a_time(page: Page) -> None:
    """Give a treatment at no time."""
    page.locator("input[name=start]").fill("")
    page.get_by_role("main").get_by_role("button", name="Give", exact=False).first.click()


PAGES = [
    Seen("day-schedule", Role.LEAD, ready=open_one_form),
    Seen("give-window", Role.LEAD, a_free_window, patient=True, wrong=without_a_time),
    Seen("visit", Role.LEAD, a_visit, patient=True),
]
NOT_PAGES = {"give-in-order"}
