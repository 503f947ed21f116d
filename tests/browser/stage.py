"""What the browser tests and the pictures stand on: the app served over a clinic, and a tab per person.

Two clinics, one after the other in the same database: first an empty one (people, units, one patient with
nothing recorded), then the demo clinic. Nothing is rolled back, so that the server sees what the tests see.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date

from django.core.management import call_command
from django.db import connections
from django.utils import timezone
from playwright.sync_api import Browser, BrowserContext, Page

from clinic.models import JobRun, Person, Unit
from clinic.staff.roles import Role
from tests.browser.chromium import DESKTOP, chromium
from tests.browser.seen import whoever_has_most
from tests.browser.served import serving, signed_in
from tests.conftest import assign, make_patient, make_person
from therapy.reports.services import current_week

# Static files under their own names, straight from the source, as in tests/conftest.py.
PLAIN_STATIC = {
    "STORAGES": {
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    },
    "WHITENOISE_AUTOREFRESH": True,
}


@dataclass
class Stage:
    """The served app, the browser, and what went wrong in it so far."""

    browser: Browser
    address: str
    troubles: list[str] = field(default_factory=list)
    contexts: dict[str, BrowserContext] = field(default_factory=dict)

    def tab(self, role: Role | None) -> Page:
        """The one tab of a role; its messages of trouble are kept."""
        key = role or "nobody"
        if key not in self.contexts:
            person = whoever_has_most(role) if role else None
            context = signed_in(self.browser, self.address, person)
            page = context.new_page()
            page.on("console", lambda said: said.type == "error" and self._note(f"console: {said.text}"))
            page.on("pageerror", lambda error: self._note(f"script: {error}"))
            page.on("request", lambda asked: self._watch(asked.url))
            self.contexts[key] = context
        page = self.contexts[key].pages[0]
        page.set_viewport_size({"width": DESKTOP[0], "height": DESKTOP[1]})
        page.emulate_media(color_scheme="light")
        return page

    def close_tabs(self) -> None:
        """Forget who is signed in, as after another clinic was loaded."""
        for context in self.contexts.values():
            context.close()
        self.contexts.clear()

    def _note(self, words: str) -> None:
        # A refused form answers 422 on purpose, and the browser tells of it.
        if "status of 422" not in words and "status of 403" not in words and "status of 404" not in words:
            self.troubles.append(words)

    def _watch(self, url: str) -> None:
        if not url.startswith((self.address, "data:", "blob:")):
            self.troubles.append(f"asked for {url}")


@contextmanager
def stage() -> Iterator[Stage]:
    """Serve the app as the database stands and start the browser."""
    kept = connections.all()
    with serving() as address, chromium() as browser:
        # Playwright's event loop makes this thread an async one, for which the ORM would open connections of its
        # own: to an in-memory database that is another, empty one.
        for connection in kept:
            connections[connection.alias] = connection
        made = Stage(browser, address)
        try:
            yield made
        finally:
            made.close_tabs()


def load_demo() -> None:
    """Empty the database and fill it with the demo clinic."""
    call_command("flush", interactive=False, verbosity=0)
    call_command("load_demo", verbosity=0)
    call_command("weekly_report", str(current_week(timezone.now()).shifted(-1)), verbosity=0)
    # A job at work, as it looks in its middle.
    JobRun.objects.create(
        kind="close-due-windows",
        key="seen-in-its-middle",
        state="running",
        requested_by=Person.objects.filter(role=Role.LEAD).first(),
        progress_done=340,
        progress_total=1000,
        progress_words="Windows closed",
    )


def load_empty() -> None:
    """People, two units, and one patient of the therapist about whom nothing is recorded."""
    lead = make_person("saltmarsh", Role.LEAD, given_name="Mina", family_name="Saltmarsh", licensed=True)
    therapist = make_person(
        "quillfeather", Role.THERAPIST, given_name="Rowan", family_name="Quillfeather", licensed=True
    )
    make_person("fennimore", Role.MANAGER, given_name="Dara", family_name="Fennimore")
    make_person("kestrelby", Role.ADMINISTRATOR, given_name="Ash", family_name="Kestrelby")
    ward = Unit.objects.create(name="Acute ward", care_setting="acute")
    Unit.objects.create(name="Home round", care_setting="home")
    patient = make_patient("Mosswater", "Bryn", date(1958, 3, 14), "204118553", unit=ward)
    assign(patient, therapist, lead)
