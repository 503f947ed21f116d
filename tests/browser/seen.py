"""A page as the browser tests and the pictures see it, and what is done on a page to bring it there."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q
from django.urls import reverse
from playwright.sync_api import Page

from clinic.models import Person
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


def open_everything(page: Page) -> None:
    """Unfold what is folded away, so that it is judged too."""
    page.evaluate("() => document.querySelectorAll('main details').forEach(one => { one.open = true; })")


def filled(values: dict[str, str], words: str) -> Callable[[Page], None]:
    """Type into boxes, then press a button."""

    def typed(page: Page) -> None:
        for label, value in values.items():
            page.get_by_role("textbox", name=label).first.fill(value)
        press(words)(page)

    return typed


def whoever_has_most(role: Role) -> Person:
    """The account of a role that was told most, then has most visits ahead: the fullest pages are theirs."""
    people = Person.objects.filter(role=role, is_active=True)
    told = Count("notices", filter=Q(notices__kind="handover"), distinct=True)
    ahead = Count("visits", filter=Q(visits__state="scheduled"), distinct=True)
    return people.annotate(told=told, ahead=ahead).order_by("-told", "-ahead", "pk")[0]
