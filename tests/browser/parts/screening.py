"""The screening pages."""

from collections.abc import Callable
from typing import Any

from django.db.models import Count
from django.utils import timezone
from playwright.sync_api import Page

from clinic.models import Patient
from clinic.staff.roles import Role
from screening.holds import Guard
from screening.models import Decision, Lift, Screening, TechniqueResult
from screening.selectors import guards
from screening.table import current
from tests.browser.parts.bedside import brought_to
from tests.browser.seen import Seen, open_everything, press
from therapy.orders.selectors import orders_in_force


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


def a_bar_to_lift() -> dict[str, Any]:
    """A lifted "do not start" of a patient on the caseload, to be lifted anew once no renewal waits."""
    lift = Lift.objects.filter(patient__state="active").latest("created_at", "pk")
    return {"patient_id": lift.patient_id, "technique": lift.technique, "condition": lift.condition}


def a_lift_that_waits() -> dict[str, Any]:
    """A lift with one signature."""
    rows = Lift.objects.annotate(signed=Count("signatures")).filter(signed=1, ended_at__isnull=True)
    return {"lift_id": rows.latest("created_at", "pk").pk}


def a_lift_that_counts() -> dict[str, Any]:
    """A lift with both signatures."""
    rows = Lift.objects.annotate(signed=Count("signatures")).filter(signed=2, ended_at__isnull=True)
    return {"lift_id": rows.latest("created_at", "pk").pk}


def a_starred_bar() -> dict[str, Any]:
    """A technique barred by judgement on which no lift waits."""
    cells = current().cells
    barred = TechniqueResult.objects.filter(
        screening__ended_at__isnull=True, result="do_not_start", screening__patient__state="active"
    ).exclude(screening__patient__in=Lift.objects.values("patient"))
    for found in barred.order_by("pk"):
        for one in found.explanation["because"]:
            if one["result"] == "do_not_start" and cells[one["condition"], found.technique].star:
                return {
                    "patient_id": found.screening.patient_id,
                    "technique": found.technique,
                    "condition": one["condition"],
                }
    raise LookupError("Nothing is barred by judgement")


def a_lifted_patient() -> dict[str, Any]:
    """The patient for whom something is lifted."""
    return {"patient_id": Lift.objects.latest("created_at", "pk").patient_id}


def enter_no_lift(page: Page) -> None:
    """Enter a lift with nothing filled in."""
    page.get_by_role("button", name="Enter the lift for", exact=False).click()


def end_without_reason(page: Page) -> None:
    """End a lift without saying why."""
    page.get_by_role("button", name="End the lift for", exact=False).click()


def a_check(wanted: Callable[[Guard], bool]) -> dict[str, Any]:
    """An ordered technique of which the guard says what is wanted."""
    orders = orders_in_force(timezone.now()).filter(patient__state="active")
    found = brought_to(orders.order_by("started_at", "pk"), wanted)
    return {"patient_id": found.patient_id, "technique": found.technique}


def a_check_to_do() -> dict[str, Any]:
    """Answers are out of date, and something was found last time."""
    orders = orders_in_force(timezone.now()).filter(patient__state="active").order_by("started_at", "pk")
    pairs = [(order.patient_id, order.technique) for order in orders]
    found = guards(pairs, timezone.now(), purpose="begin")
    many = (pair for pair in pairs if found[pair].missing and found[pair].findings)
    patient_id, technique = next(many, pairs[0])
    return {"patient_id": patient_id, "technique": technique}


def a_check_on_hold() -> dict[str, Any]:
    """A finding holds it."""
    return a_check(lambda one: one.clinical)


def a_check_done() -> dict[str, Any]:
    """Nothing needs asking."""
    return a_check(lambda one: one.allowed)


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


def answer_nothing(page: Page) -> None:
    """Record a check in which nothing was answered."""
    page.get_by_role("button", name="Record the check", exact=False).click()


PAGES = [
    Seen(
        "screening",
        Role.LEAD,
        a_lifted_patient,
        called="screening-lifted",
        patient=True,
        ready=open_everything,
    ),
    Seen(
        "screening-lift",
        Role.LEAD,
        a_starred_bar,
        patient=True,
        wrong=enter_no_lift,
    ),
    Seen("screening-lift", Role.LEAD, a_bar_to_lift, called="screening-lift-waits", patient=True),
    Seen("lift", Role.LEAD, a_lift_that_waits, patient=True),
    Seen("lift", Role.LEAD, a_lift_that_counts, called="lift-counts", patient=True),
    Seen(
        "lift-end",
        Role.LEAD,
        a_lift_that_counts,
        patient=True,
        wrong=end_without_reason,
    ),
    Seen("decision-counts", Role.LEAD, ready=open_everything),
    Seen("screening", Role.LEAD, a_decided_screening, patient=True, ready=open_everything),
    Seen(
        "screening-new", Role.LEAD, a_patient_to_screen, patient=True, ready=open_everything, wrong=contradict
    ),
    Seen("bedside-check", Role.LEAD, a_check_to_do, query="?next=/", patient=True, wrong=answer_nothing),
    Seen(
        "bedside-check",
        Role.LEAD,
        a_check_on_hold,
        called="bedside-check-on-hold",
        query="?next=/",
        patient=True,
    ),
    Seen(
        "bedside-check", Role.LEAD, a_check_done, called="bedside-check-done", query="?next=/", patient=True
    ),
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
