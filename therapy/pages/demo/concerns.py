"""Two safety concerns of the demo: one that was answered, one that waits for the lead."""

from datetime import timedelta

from django.urls import reverse

from clinic.models import Patient
from clinic.safety import services as safety
from therapy.pages.demo.scene import Scene


def tell(scene: Scene, patients: dict[str, Patient]) -> None:
    """Report both through the service, and answer the older one."""
    people, clock = scene.service.people, scene.clock
    asked, _ = safety.report(
        by=people["heron"],
        page=reverse("patients"),
        words="Two patients with almost the same name stood under each other; I nearly opened the wrong one.",
        kind="misread",
        harmed="no",
        severity=4,
        at=clock.at(3, "15:20"),
        source="command",
    )
    safety.answer(
        asked,
        by=scene.service.lead,
        words="Both rows carry the sign Similar name. Told at the hand-over: read birth date and number first.",
        at=clock.at(2, "08:10"),
        source="command",
    )
    of = patients.get("mosswater") or next(iter(patients.values()))
    safety.report(
        by=people["quillfeather"],
        page=reverse("patient", args=[of.pk]),
        patient_id=of.pk,
        words="The oxygen was turned up on the ward and the page still showed the flow of this morning. "
        "I asked the nurse and measured again before starting.",
        kind="missing",
        harmed="no",
        severity=3,
        at=clock.told_until - timedelta(minutes=12),
        source="command",
    )
