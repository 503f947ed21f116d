"""The newest treatments of the demo, taken out of the bulk and recorded through the service, one after the other."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from clinic.models import Measurement
from therapy.models import AdverseEvent, TreatmentSession, TreatmentStaff, VisitStaff
from therapy.pages.demo.book import Book
from therapy.scheduling.models import VisitState, WindowState
from therapy.sessions import services as sessions
from therapy.sessions.content import (
    AdverseEventSeen,
    BloodSeen,
    Done,
    Measured,
    Oxygen,
    RecordingDevice,
    SessionPayload,
    SputumSeen,
    StaffTime,
)
from therapy.sessions.rules import DOSE_UNITS


@dataclass
class Replay:
    """Treatments that wait to be recorded, with what belongs to each."""

    treatments: list[TreatmentSession] = field(default_factory=list)
    staff: list[TreatmentStaff] = field(default_factory=list)
    measurements: list[Measurement] = field(default_factory=list)
    events: list[AdverseEvent] = field(default_factory=list)


def take_out(book: Book, *, since: datetime) -> Replay:
    """Take the treatments from `since` on out of the book, and open their windows and visits again."""
    taken = {row.pk: row for row in book.of(TreatmentSession) if row.started_at >= since}
    places: dict[Any, list[VisitStaff]] = defaultdict(list)
    for place in book.of(VisitStaff):
        places[place.visit_id].append(place)
    for row in taken.values():
        if row.window is not None:
            window = row.window
            window.state, window.closed_at = WindowState.OPEN, None
            window.reason_group = window.reason = window.reason_words = ""
        if row.visit is not None:
            row.visit.state = VisitState.SCHEDULED
            for place in places[row.visit.pk]:
                place.state = VisitState.SCHEDULED
    return Replay(
        treatments=sorted(
            book.pop(TreatmentSession, lambda row: row.pk in taken),
            key=lambda row: (row.recorded_at, str(row.pk)),
        ),
        staff=book.pop(TreatmentStaff, lambda row: row.treatment_id in taken),
        measurements=book.pop(Measurement, lambda row: row.treatment_id in taken),
        events=book.pop(AdverseEvent, lambda row: row.treatment_id in taken),
    )


def record(replay: Replay) -> int:
    """Record each through the service, as of when it was written down; returns how many."""
    for row in replay.treatments:
        sessions.record(
            by=row.recorded_by, payload=_payload(row, replay), source="command", at=row.recorded_at
        )
    return len(replay.treatments)


def _payload(row: TreatmentSession, replay: Replay) -> SessionPayload:
    return SessionPayload(
        id=row.pk,
        patient=row.patient_id,
        technique=row.technique,
        started_at=row.started_at,
        ended_at=row.ended_at,
        delivered=row.delivered,
        order=row.order_id,
        window=row.window_id,
        visit=row.visit_id,
        reason=row.reason or None,
        reason_words=row.reason_words,
        done=_done(row),
        measurements=tuple(_measured(one) for one in replay.measurements if one.treatment_id == row.pk),
        sputum=_sputum(row),
        blood=BloodSeen(row.blood) if row.blood else None,
        tolerance=row.tolerance or None,
        adverse_events=tuple(
            AdverseEventSeen(one.pk, one.kind, one.at, one.action_taken, one.told)
            for one in replay.events
            if one.treatment_id == row.pk
        ),
        delivered_by=row.delivered_by or None,
        staff=tuple(
            StaffTime(one.person_id, one.minutes) for one in replay.staff if one.treatment_id == row.pk
        ),
        device=RecordingDevice(name=row.device),
    )


def _done(row: TreatmentSession) -> Done:
    amounts: dict[str, Any] = {unit: getattr(row, f"{unit}_done") for unit in DOSE_UNITS}
    return Done(**amounts, huffs=row.huffs_done, exhalation=row.exhalation or None, settings=row.done_details)


def _sputum(row: TreatmentSession) -> SputumSeen | None:
    if not row.sputum:
        return None
    return SputumSeen(
        state=row.sputum,
        volume_tenths_ml=row.sputum_volume_tenths_ml,
        mass_tenths_g=row.sputum_mass_tenths_g,
        method=row.sputum_method or None,
        colour=row.sputum_colour,
        consistency=row.sputum_consistency or None,
    )


def _measured(one: Measurement) -> Measured:
    oxygen = None
    if one.oxygen_device:
        oxygen = Oxygen(one.oxygen_device, one.oxygen_flow_ml_per_min, one.fio2_percent)
    return Measured(one.kind, one.moment, one.value, oxygen)
