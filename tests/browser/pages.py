"""Every page of the app: whose it is, how its fullest state is reached, and how it goes wrong.

A test fails when an address that shows a page is missing here. Addresses that only take a form, answer data or
send a file stand in NOT_PAGES.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page

from clinic.models import JobRun, Patient
from clinic.staff.roles import Role
from screening.models import Decision, Screening, TechniqueResult

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


def a_job() -> dict[str, Any]:
    """The job that is at work."""
    return {"run_id": JobRun.objects.get(key="seen-in-its-middle").pk}


def a_decided_screening() -> dict[str, Any]:
    """The patient of the last decision that counts: findings, a decision, earlier screenings."""
    decision = Decision.objects.filter(
        ended_at__isnull=True, expires_at__gt=timezone.now(), patient__state="active"
    ).latest("started_at", "pk")
    return {"patient_id": decision.patient_id}


def a_patient_to_screen() -> dict[str, Any]:
    """A patient with a screening; in the empty clinic the one patient there is."""
    screening = Screening.objects.filter(ended_at__isnull=True, patient__state="active").order_by("pk").last()
    return {"patient_id": screening.patient_id if screening else Patient.objects.earliest("pk").pk}


def an_earlier_screening() -> dict[str, Any]:
    """A screening that another one has replaced."""
    screening = Screening.objects.filter(ended_at__isnull=False).latest("started_at", "pk")
    return {"patient_id": screening.patient_id, "screening_id": screening.pk}


def something_to_decide() -> dict[str, Any]:
    """A technique of a screening in force on which a clinician must decide."""
    found = TechniqueResult.objects.filter(
        screening__ended_at__isnull=True, result="clinician_must_decide", screening__patient__state="active"
    ).latest("pk")
    return {"patient_id": found.screening.patient_id, "technique": found.technique}


def contradict(page: Page) -> None:
    """Give a number and a word for the same question."""
    page.get_by_label("Intracranial pressure", exact=False).first.fill("25")
    page.locator("input[name=icp_mmhg_word][value=unknown]").check(force=True)
    page.get_by_role("button", name="Record screening", exact=True).click()


def fill_decision(page: Page) -> None:
    """Enter a decision and go to the page that confirms it."""
    page.locator("input[name=proceed][value=yes]").check(force=True)
    page.locator("select[name=reason_code]").select_option("condition_controlled")
    page.locator("textarea[name=reason]").fill("Pain is controlled; side-lying only.")
    page.get_by_role("button", name="Check before recording", exact=True).click()


PAGES: list[Seen] = [
    Seen("sign-in", None, wrong=press("Sign in")),
    Seen("job", Role.LEAD, a_job),
    Seen("screening", Role.LEAD, a_decided_screening, patient=True),
    Seen("screening-new", Role.LEAD, a_patient_to_screen, patient=True, wrong=contradict),
    Seen("screening-earlier", Role.LEAD, an_earlier_screening, patient=True),
    Seen(
        "screening-decide",
        Role.LEAD,
        something_to_decide,
        patient=True,
        wrong=press("Check before recording"),
    ),
    Seen(
        "screening-decide",
        Role.LEAD,
        something_to_decide,
        called="screening-decide-confirm",
        patient=True,
        ready=fill_decision,
    ),
]

# What is printed; a person who opens the address gets a PDF.
PDFS: list[Seen] = []

# Addresses that show no page of their own: forms taken, parts of pages, data, files.
NOT_PAGES: set[str] = {"sign-out", "theme", "job-state", "job-cancel", "health-live", "health-ready"}

# Pages that the empty clinic can show: those without arguments, and those of its one patient.
EMPTY: list[Seen] = [seen for seen in PAGES if seen.arguments is dict]
