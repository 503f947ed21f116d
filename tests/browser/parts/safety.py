"""The safety pages, and safety concerns: reported, read, answered."""

from datetime import timedelta
from typing import Any

from django.utils import timezone
from playwright.sync_api import Page

from clinic.models import Patient, Person, SafetyConcern
from clinic.safety import services
from clinic.staff.roles import Role
from screening.models import PolicyRule
from screening.policy import services as policies
from screening.policy.rules import CellRule
from screening.table import Grade
from tests.browser.seen import Seen, press


def first_proofs(page: Page) -> None:
    """Unfold the proofs of the first hazard; those of the others are drawn alike, and there are many."""
    page.evaluate(
        "() => document.querySelector('main article').querySelectorAll('details').forEach(one => { one.open = true; })"
    )


def waiting_concern() -> dict[str, Any]:
    """A concern about a patient that nobody has answered."""
    return {"concern_id": SafetyConcern.objects.filter(answer=None, patient__isnull=False).latest("at").pk}


def answered_concern() -> dict[str, Any]:
    """A concern that was answered; the manager reads it."""
    return {"concern_id": SafetyConcern.objects.exclude(answer=None).latest("at").pk}


def concern_of_the_empty_clinic() -> dict[str, Any]:
    """A first concern, about no patient."""
    there = SafetyConcern.objects.first()
    if there is None:
        by = Person.objects.filter(role=Role.THERAPIST)[0]
        there, _ = services.report(by=by, page="/", words="The list was slow.", source="command")
    return {"concern_id": there.pk}


def the_local_rule() -> dict[str, Any]:
    """A local rule in force."""
    there = PolicyRule.objects.filter(ended_at__isnull=True).first()
    if there is None:
        by = Person.objects.filter(role=Role.LEAD, licensed=True)[0]
        rule = CellRule(
            condition="osteoporosis", technique="hfcwo", grade=Grade.ABSOLUTE, reason="Two rib fractures here"
        )
        there = policies.set_rule(by=by, rule=rule, review_on=timezone.localdate() + timedelta(days=90))
    return {"policy_id": there.pk}


def a_local_rule() -> dict[str, Any]:
    """The list with a rule in it."""
    the_local_rule()
    return {}


class FromAPatient(Seen):
    """The report as it opens from a patient's page."""

    def address(self) -> str:
        """With the page and the patient, as the link in the footer gives them."""
        patient = Patient.objects.filter(state="active").earliest("pk")
        return f"{super().address()}?page=/patients/{patient.pk}/&patient={patient.pk}"


PAGES = [
    Seen("hazard-log", Role.MANAGER, ready=first_proofs),
    Seen("rule-table", Role.THERAPIST),
    Seen("rule-table-group", Role.LEAD, lambda: {"group": "bleeding"}),
    Seen("rules-in-force", Role.ADMINISTRATOR),
    Seen("policy", Role.LEAD, a_local_rule),
    Seen("policy-new", Role.LEAD, lambda: {"policy_kind": "cell"}, wrong=press("See what would change")),
    Seen("policy-end", Role.LEAD, the_local_rule, wrong=press("See what would change")),
    Seen("safety-concerns", Role.LEAD),
    Seen("safety-concerns", Role.MANAGER, called="safety-concerns-manager"),
    Seen("safety-concern-report", Role.MANAGER, query="?page=/reports/", wrong=press("Report the concern")),
    FromAPatient(
        "safety-concern-report", Role.LEAD, called="safety-concern-report-patient", patient=True,
        arguments=dict,
    ),
    Seen("safety-concern", Role.LEAD, waiting_concern, patient=True, wrong=press("Answer the concern")),
    Seen("safety-concern", Role.MANAGER, answered_concern, called="safety-concern-answered"),
]  # fmt: skip
EMPTY = [Seen("safety-concern", Role.LEAD, concern_of_the_empty_clinic)]
NOT_PAGES = {"safety-concern-answer"}
