"""Every page of the app: whose it is, how its fullest state is reached, and how it goes wrong.

A test fails when an address that shows a page is missing here. Addresses that only take a form, answer data or
send a file stand in NOT_PAGES.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.urls import reverse
from playwright.sync_api import Page

from clinic.models import JobRun
from clinic.staff.roles import Role

Arguments = Callable[[], dict[str, Any]]


@dataclass(frozen=True)
class Seen:
    """A page in its fullest state.

    Args:
        url: the URL name.
        role: who looks at it; None is somebody not signed in.
        arguments: gives the arguments of its address from the database.
        query: the query of the address.
        called: the name of its picture, where one URL has several pages.
        patient: whether it is about one patient and carries the banner.
        ready: what is done on the page to reach its fullest state.
        wrong: what is done to see its errors; None where nothing can be entered.
    """

    url: str
    role: Role | None
    arguments: Arguments = dict
    query: str = ""
    called: str = ""
    patient: bool = False
    ready: Callable[[Page], None] | None = None
    wrong: Callable[[Page], None] | None = None

    @property
    def name(self) -> str:
        """What a test and a picture call it."""
        return self.called or self.url

    def address(self) -> str:
        """The address in the clinic at hand."""
        return reverse(self.url, kwargs=self.arguments()) + self.query


def press(words: str) -> Callable[[Page], None]:
    """Press the button with these words, with nothing filled in."""

    def pressed(page: Page) -> None:
        page.get_by_role("main").get_by_role("button", name=words, exact=True).first.click()

    return pressed


def a_job() -> dict[str, Any]:
    """The job that is at work."""
    return {"run_id": JobRun.objects.get(key="seen-in-its-middle").pk}


PAGES: list[Seen] = [
    Seen("sign-in", None, wrong=press("Sign in")),
    Seen("job", Role.LEAD, a_job),
]

# What is printed; a person who opens the address gets a PDF.
PDFS: list[Seen] = []

# Addresses that show no page of their own: forms taken, parts of pages, data, files.
NOT_PAGES: set[str] = {"sign-out", "theme", "job-state", "job-cancel", "health-live", "health-ready"}

# Pages that the empty clinic can show: those without arguments, and those of its one patient.
EMPTY: list[Seen] = [seen for seen in PAGES if seen.arguments is dict]
