"""Vital signs, the measured exhalation, forced breathing tests."""

from typing import Any

from playwright.sync_api import Page

from clinic.models import MeasurementSet, Patient
from clinic.staff.roles import Role
from tests.browser.seen import Seen


def with_most(kind: str) -> Any:
    """A patient with most sets of a kind; in the empty clinic the one patient there is."""

    def found() -> dict[str, Any]:
        counts: dict[Any, int] = {}
        for patient_id in MeasurementSet.objects.filter(kind=kind).values_list("patient_id", flat=True):
            counts[patient_id] = counts.get(patient_id, 0) + 1
        if not counts:
            return {"patient_id": Patient.objects.earliest("pk").pk}
        return {"patient_id": max(counts, key=lambda each: (counts[each], str(each)))}

    return found


def a_child() -> dict[str, Any]:
    """A child with vital signs, for whom there is no score."""
    return {
        "patient_id": Patient.objects.filter(measurement_sets__isnull=False).order_by("-birth_year")[0].pk
    }


def a_set() -> dict[str, Any]:
    """The newest set of vital signs."""
    return {"set_id": MeasurementSet.objects.filter(kind="vital_signs").order_by("-measured_at", "pk")[0].pk}


def record_nothing(page: Page) -> None:
    """Press the button with nothing filled in."""
    page.get_by_role("main").get_by_role("button", name="Record for", exact=False).first.click()


def spo2_without_oxygen(page: Page) -> None:
    """A saturation alone."""
    page.locator("input[name=spo2_percent]").fill("91")
    record_nothing(page)


PAGES = [
    Seen("vital-signs", Role.LEAD, with_most("vital_signs"), patient=True),
    Seen("vital-signs", Role.LEAD, a_child, called="vital-signs-child", patient=True),
    Seen("vital-signs-new", Role.LEAD, with_most("vital_signs"), patient=True, wrong=spo2_without_oxygen),
    Seen("exhalation", Role.LEAD, with_most("exhalation"), patient=True, wrong=record_nothing),
    Seen("forced-test", Role.LEAD, with_most("forced"), patient=True, wrong=record_nothing),
    Seen("measured-strike", Role.LEAD, a_set, patient=True),
]
EMPTY = [
    Seen("vital-signs", Role.LEAD, with_most("vital_signs"), patient=True),
    Seen("vital-signs-new", Role.LEAD, with_most("vital_signs"), patient=True),
    Seen("exhalation", Role.LEAD, with_most("exhalation"), patient=True),
    Seen("forced-test", Role.LEAD, with_most("forced"), patient=True),
]
