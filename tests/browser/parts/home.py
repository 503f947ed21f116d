"""The home page of each role, search, and what the app is for."""

from playwright.sync_api import Page

from clinic.staff.roles import Role
from tests.browser.seen import Seen, filled


def found(page: Page) -> None:
    """Find two patients whose names are alike."""
    filled({"Name or number": "fernhill"}, "Find")(page)
    page.get_by_role("heading", name="found").wait_for()


PAGES = [
    Seen("home", Role.LEAD, called="home-lead"),
    Seen("home", Role.THERAPIST, called="home-therapist"),
    Seen("home", Role.MANAGER, called="home-manager"),
    Seen("home", Role.ADMINISTRATOR, called="home-administrator"),
    Seen("search", Role.LEAD, ready=found, wrong=filled({"Name or number": "a"}, "Find")),
    Seen("about", Role.THERAPIST),
]
