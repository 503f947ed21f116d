"""Run inside an installation: several tablets send the same treatment, and other ones, in the same instant."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from threading import Barrier
from typing import Any

from django.db import connections
from django.utils import timezone

from clinic.models import AuditEvent, Flag, RecordVersion, Unit
from clinic.staff.roles import Role
from tests.conftest import assign, make_patient, make_person
from tests.therapy.sessions.samples import make_order, make_window, payload
from therapy.models import TreatmentSession
from therapy.sessions import services
from therapy.sessions.models import SENT_AGAIN

TABLETS = 6


def go() -> dict[str, Any]:
    """Send, and tell what became of it."""
    lead = make_person("saltmarsh", Role.LEAD, licensed=True)
    therapist = make_person("quillfeather", Role.THERAPIST, licensed=True)
    ward = Unit.objects.create(name="Acute ward", care_setting="acute")
    patient = make_patient("Mosswater", "Bryn", date(1958, 3, 14), "204118553", unit=ward)
    assign(patient, therapist, lead)
    now = timezone.now().replace(microsecond=0)
    order = make_order(patient, lead, started_at=datetime(2026, 1, 1, tzinfo=UTC))
    window = make_window(order)
    type(window).objects.filter(pk=window.pk).update(
        service_date=timezone.localdate(now),
        earliest=now - timedelta(hours=1),
        latest=now + timedelta(hours=1),
    )
    common = {
        "order": str(order.pk),
        "started_at": (now - timedelta(minutes=30)).isoformat(),
        "ended_at": None,
    }
    same = payload(patient.pk, therapist.pk, **common)
    other = {**same, "notes": "other content"}
    outcomes = at_once(therapist, [same] * TABLETS)
    conflicts = at_once(therapist, [other] * TABLETS)
    window.refresh_from_db()
    return {
        "outcomes": sorted(outcomes),
        "conflicts": sorted(conflicts),
        "treatments": TreatmentSession.objects.count(),
        "notes": TreatmentSession.objects.get().notes,
        "beside": RecordVersion.objects.filter(subject_type=SENT_AGAIN).count(),
        "flags": Flag.objects.filter(kind="check_entry").count(),
        "audited": AuditEvent.objects.filter(action="treatment_recorded").count(),
        "window": window.state,
    }


def at_once(by: Any, sent: list[dict[str, Any]]) -> list[str]:
    """Send each from a thread of its own, all released together."""
    together = Barrier(len(sent))

    def send(one: dict[str, Any]) -> str:
        try:
            together.wait(timeout=30)
            return services.record(by=by, payload=one, source="tablet").outcome
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(sent)) as pool:
        return list(pool.map(send, sent))
