"""The order pages."""

from typing import Any

from playwright.sync_api import Page

from clinic.models import Patient, Person
from clinic.staff.roles import Role
from screening.models import TechniqueResult
from tests.browser.seen import Seen, open_everything, press
from therapy.models import Order, OrderHold
from therapy.orders import services as orders
from therapy.orders.doses import starting_dose
from therapy.orders.prescription import Prescription


def a_patient() -> dict[str, Any]:
    """The patient with the last order in force; in the empty clinic the one patient there is."""
    order = (
        Order.objects.filter(ended_at__isnull=True, draft=False, patient__state="active")
        .order_by("pk")
        .last()
    )
    return {"patient_id": order.patient_id if order else Patient.objects.earliest("pk").pk}


def a_new_order() -> dict[str, Any]:
    """A technique on which a clinician must decide, of a patient who has no order of it."""
    found = TechniqueResult.objects.filter(
        technique="oscillating_pep",
        screening__ended_at__isnull=True,
        screening__patient__state="active",
        result="clinician_must_decide",
    ).order_by("pk")
    patient = found.last()
    return {
        "patient_id": patient.screening.patient_id if patient else Patient.objects.earliest("pk").pk,
        "technique": "oscillating_pep",
    }


def an_order() -> dict[str, Any]:
    """An order in force."""
    order = Order.objects.filter(ended_at__isnull=True, draft=False, patient__state="active").exclude(
        holds__ended_at__isnull=True, holds__isnull=False
    )
    return {"order_id": order.order_by("pk")[0].pk}


def a_held_order() -> dict[str, Any]:
    """An order that a person put on hold."""
    return {"order_id": OrderHold.objects.filter(ended_at__isnull=True).latest("pk").order_id}


def a_draft() -> dict[str, Any]:
    """An order that waits to be started."""
    waiting = Order.objects.filter(ended_at__isnull=True, draft=True).order_by("pk").last()
    return {"order_id": (waiting or _drafted("written")).pk}


def an_order_by_telephone() -> dict[str, Any]:
    """A draft by telephone, not read back yet."""
    return {"order_id": _drafted("telephone").pk}


def an_order_to_sign() -> dict[str, Any]:
    """An order by telephone without a signature."""
    waiting = (
        Order.objects.filter(needs_signature=True, draft=False, signature__isnull=True).order_by("pk").last()
    )
    if waiting is None:
        lead = Person.objects.filter(role=Role.LEAD)[0]
        waiting = orders.activate(by=lead, order=_drafted("telephone"), read_back=True)
    return {"order_id": waiting.pk}


def _drafted(source: str) -> Order:
    """A new draft of a technique that nothing bars, for a patient who has none of it."""
    lead = Person.objects.filter(role=Role.LEAD)[0]
    free = TechniqueResult.objects.filter(
        technique="directed_cough", result="none_found", screening__ended_at__isnull=True
    ).exclude(screening__patient__orders__technique="directed_cough")
    patient = free.filter(screening__patient__state="active").order_by("pk")[0].screening.patient
    return orders.prescribe(
        by=lead,
        patient=patient,
        prescription=Prescription(
            technique="directed_cough",
            dose=starting_dose("directed_cough"),
            times_a_day=3,
            source=source,
            prescriber="Dr Larkspur",
        ),
    )


def ask_about_everything(page: Page) -> None:
    """Order what is unusual, out of sequence and beyond a limit."""
    open_everything(page)
    page.locator("input[name=target_pressure_cmh2o]").fill("25")
    page.locator("input[name=sets]").fill("40")
    page.locator("input[name=inhaled_steroid_timing][value=before]").check(force=True)
    page.get_by_role("button", name="Keep and go on to start", exact=True).click()


def change_something(page: Page) -> None:
    """Change the frequency, up to the page that confirms it."""
    page.locator("input[name=times_a_day]").fill("2")
    page.locator("input[name=reason]").fill("Tires easily.")
    page.get_by_role("button", name="Look at the change", exact=True).click()


PAGES = [
    Seen("orders", Role.LEAD),
    Seen("patient-orders", Role.LEAD, a_patient, patient=True),
    Seen("choose-technique", Role.LEAD, a_patient, patient=True, ready=open_everything),
    Seen(
        "new-order",
        Role.LEAD,
        a_new_order,
        patient=True,
        ready=open_everything,
        wrong=ask_about_everything,
    ),
    Seen("order", Role.LEAD, an_order, patient=True),
    Seen("order", Role.LEAD, a_held_order, called="order-on-hold", patient=True),
    Seen("start-order", Role.LEAD, a_draft, patient=True),
    Seen("start-order", Role.LEAD, an_order_by_telephone, called="start-order-telephone", patient=True),
    Seen("change-order", Role.LEAD, an_order, patient=True, wrong=press("Look at the change")),
    Seen(
        "change-order",
        Role.LEAD,
        an_order,
        called="change-order-confirm",
        patient=True,
        ready=change_something,
    ),
    Seen("hold-order", Role.LEAD, an_order, patient=True),
    Seen("resume-order", Role.LEAD, a_held_order, patient=True),
    Seen("stop-order", Role.LEAD, an_order, patient=True),
    Seen("sign-order", Role.LEAD, an_order_to_sign, patient=True),
]
EMPTY = [
    Seen("orders", Role.LEAD),
    Seen("patient-orders", Role.LEAD, a_patient, patient=True),
    Seen("choose-technique", Role.LEAD, a_patient, patient=True),
]
