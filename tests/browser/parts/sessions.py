"""The bedside pages, and the page of one treatment."""

from typing import Any

from django.utils import timezone
from playwright.sync_api import Page

from clinic.access import patients_visible_to
from clinic.models import Patient, Person, RecordVersion
from clinic.staff.roles import Role
from tests.browser.parts.bedside import brought_to
from tests.browser.seen import Seen, open_everything, press, whoever_has_most
from therapy.models import DueWindow, IndependentSets, Order, TreatmentSession, TreatmentStop
from therapy.orders.selectors import orders_in_force


def the_therapist() -> Person:
    """The therapist whose tab it is."""
    return whoever_has_most(Role.THERAPIST)


def an_order(*, held: bool, technique: str | None = None) -> Order:
    """One of the therapist's patients' orders, on hold or not."""
    now = timezone.now()
    rows = orders_in_force(now).filter(
        patient__in=patients_visible_to(the_therapist()), patient__state="active"
    )
    if technique:
        rows = rows.filter(technique=technique)
    return brought_to(rows.order_by("started_at", "pk"), lambda one: one.clinical if held else one.allowed)


def free() -> dict[str, Any]:
    """An order that may begin."""
    return {"pk": an_order(held=False).pk}


def on_hold() -> dict[str, Any]:
    """An order on hold."""
    return {"pk": an_order(held=True).pk}


def to_record() -> dict[str, Any]:
    """An order to record a treatment of, of the technique with the most to fill in where there is one."""
    return {"kind": "order", "pk": an_order(held=False, technique="oscillating_pep").pk}


def a_due_window() -> dict[str, Any]:
    """A due window of one of the therapist's patients."""
    rows = DueWindow.objects.filter(patient__in=patients_visible_to(the_therapist()), patient__state="active")
    return {"kind": "window", "pk": rows.filter(state="open").order_by("earliest", "pk")[0].pk}


def a_corrected_treatment() -> dict[str, Any]:
    """A treatment that was corrected; any that was given where none was."""
    rows = TreatmentSession.objects.filter(
        patient__in=patients_visible_to(the_therapist()), entered_in_error=False
    ).exclude(delivered="not_delivered")
    amended = RecordVersion.objects.filter(subject_type="therapy.treatmentsession").values_list(
        "subject_id", flat=True
    )
    corrected = rows.filter(pk__in=list(amended))
    return {"treatment_id": (corrected.first() or rows.latest("started_at", "pk")).pk}


def its_patient() -> dict[str, Any]:
    """The patient of the last treatment."""
    rows = TreatmentSession.objects.filter(patient__in=patients_visible_to(the_therapist()))
    return {"patient_id": rows.latest("started_at", "pk").patient_id}


def a_diary_day() -> dict[str, Any]:
    """A day of the diary of one of the therapist's patients."""
    rows = IndependentSets.objects.filter(
        patient__in=patients_visible_to(the_therapist()), entered_in_error=False
    )
    entry = rows.latest("service_date", "pk")
    return {"patient_id": entry.patient_id, "entry_id": entry.pk}


def strike_without_a_reason(page: Page) -> None:
    """Ask to strike a day of the diary and say nothing why."""
    page.locator("button[value=strike]").click()


def only_patient() -> dict[str, Any]:
    """The one patient of the empty clinic."""
    return {"patient_id": Patient.objects.earliest("pk").pk}


def fill_in(page: Page) -> None:
    """A treatment with a fall of SpO2, so that its notes are seen."""
    open_everything(page)
    for name, value in {
        "before_spo2": "94", "after_spo2": "90", "before_pulse": "96", "before_breaths": "22", "before_borg": "3",
        "after_borg": "4", "sputum_amount": "6",
    }.items():  # fmt: skip
        box = page.locator(f"[name={name}]")
        if box.count():
            box.fill(value)
    for name, value in {
        "before_oxygen_device": "air", "sputum": "measured", "sputum_method": "pot", "sputum_colour": "2",
        "blood": "none", "tolerance": "tired",
    }.items():  # fmt: skip
        page.locator(f"[name={name}][value='{value}']").check()
    page.locator("#findings .note").first.wait_for()


def go_to_confirm(page: Page) -> None:
    """Fill in and go on to the page that confirms."""
    fill_in(page)
    started = page.locator("[name=started]").input_value()
    page.locator("[name=ended]").fill(started)
    page.locator("[name^=done_]").first.evaluate(
        "first => { const of = document.querySelectorAll(`[name=${first.name}]`);"
        " if (first.type === 'radio') of[Math.max(0, of.length - 4)].click(); }"
    )
    for box in page.locator("input[type=text][name^=done_]").all():
        if not box.input_value():
            box.fill("20")
    page.locator("button[value=check]").click()
    page.locator("button[value=record]").wait_for()


def refuse_to_record(page: Page) -> None:
    """Ask to record with numbers that cannot be true."""
    page.locator("[name=before_spo2]").fill("120")
    page.locator("[name=before_borg]").fill("2.5")
    page.locator("button[value=check]").click()


def a_stop() -> dict[str, Any]:
    """The last treatment that was stopped."""
    return {"stop_id": TreatmentStop.objects.latest("at", "pk").pk}


def check_nothing(page: Page) -> None:
    """Record a check in which nothing was measured."""
    open_everything(page)
    page.get_by_role("button", name="Record the check after 15 min", exact=True).click()


def held_patient() -> dict[str, Any]:
    """A patient of whom an order is on hold, with the most to show: a stopped treatment where there is one."""
    stopped = TreatmentStop.objects.order_by("-at", "pk").first()
    return {"patient_id": stopped.patient_id} if stopped else only_patient()


PAGES = [
    Seen("stop", Role.LEAD, a_stop, called="stop", patient=True, ready=open_everything, wrong=check_nothing),
    Seen("patient-holds", Role.LEAD, held_patient, called="holds", patient=True,
         wrong=press("Record who was told")),
    Seen("treat-order", Role.THERAPIST, free, patient=True),
    Seen("treat-order", Role.THERAPIST, on_hold, called="treat-on-hold", patient=True),
    Seen("treat-record", Role.THERAPIST, to_record, called="record-session", patient=True, ready=fill_in,
         wrong=refuse_to_record),
    Seen("treat-record", Role.THERAPIST, to_record, called="record-confirm", patient=True, ready=go_to_confirm),
    Seen("treat-not-given", Role.THERAPIST, a_due_window, patient=True),
    Seen("treatment", Role.THERAPIST, a_corrected_treatment, patient=True, ready=open_everything),
    Seen("treatment-amend", Role.THERAPIST, a_corrected_treatment, patient=True, ready=open_everything),
    Seen("treatment-strike", Role.THERAPIST, a_corrected_treatment, patient=True),
    Seen("treatments", Role.THERAPIST, its_patient, patient=True),
    Seen("independent-sets", Role.THERAPIST, its_patient, patient=True),
    Seen("independent-sets-correct", Role.THERAPIST, a_diary_day, patient=True, wrong=strike_without_a_reason),
    Seen("patient", Role.THERAPIST, its_patient, patient=True, ready=open_everything),
]  # fmt: skip
EMPTY = [
    Seen("patient-holds", Role.LEAD, only_patient, patient=True),
    Seen("treatments", Role.THERAPIST, only_patient, patient=True),
    Seen("independent-sets", Role.THERAPIST, only_patient, patient=True, wrong=press("Record for MOSSWATER, Bryn")),
    Seen("patient", Role.THERAPIST, only_patient, patient=True),
]  # fmt: skip
# The window's and the visit's pages are the order's page with its due time; they are walked in tests/therapy.
NOT_PAGES = {
    "treat-window",
    "treat-visit",
    "treat-begin",
    "treat-findings",
    "treatment-sign",
    "treat-stop",
    "stop-sign",
    "stop-told",
    "stop-recheck",
    "api-treatments",
}
