"""Writes and reads the rows that belong to a treatment: measurements, the people who were there, adverse events."""

from collections.abc import Mapping
from typing import Any

from clinic import records
from clinic.measurements.models import Measurement
from clinic.models import Person
from clinic.records import AmendableModel
from therapy.sessions import alerts
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
from therapy.sessions.models import AdverseEvent, Delivered, TreatmentSession, TreatmentStaff


def write(
    treatment: TreatmentSession,
    read: SessionPayload,
    people: Mapping[int, Person],
    *,
    by: Person,
    source: str = "web",
) -> None:
    """Store the rows of a new treatment; each adverse event is flagged and told."""
    for measured in read.measurements:
        _add_measurement(treatment, measured, by)
    for place in read.staff:
        TreatmentStaff.objects.create(treatment=treatment, person=people[place.person], minutes=place.minutes)
    for event in read.adverse_events:
        _add_event(treatment, event, by, source)


def rewrite(
    treatment: TreatmentSession,
    read: SessionPayload,
    people: Mapping[int, Person],
    *,
    by: Person,
    reason: str,
) -> None:
    """Bring the rows of an amended treatment to what it says now; what is no longer said is struck, not deleted."""
    values = {(row.kind, row.moment): row for row in measurements_of(treatment)}
    for measured in read.measurements:
        row = values.pop((measured.kind, measured.moment), None)
        if row is None:
            _add_measurement(treatment, measured, by)
        else:
            _amend(row, _measurement_columns(treatment, measured), by, reason, treatment)
    there = {row.person_id: row for row in treatment.staff.all()}
    for place in read.staff:
        person = there.pop(place.person, None)
        if person is None:
            TreatmentStaff.objects.create(
                treatment=treatment, person=people[place.person], minutes=place.minutes
            )
        else:
            _amend(person, {"minutes": place.minutes, "entered_in_error": False}, by, reason, treatment)
    events = {row.pk: row for row in treatment.adverse_events.filter(entered_in_error=False)}
    for event in read.adverse_events:
        known = events.pop(event.id, None)
        if known is None:
            _add_event(treatment, event, by, "web")
        else:
            changes = {
                "kind": event.kind, "at": event.at, "action_taken": event.action_taken, "told": event.told
            }  # fmt: skip
            _amend(known, changes, by, reason, treatment)
    gone: tuple[AmendableModel, ...] = (*values.values(), *there.values(), *events.values())
    for one in gone:
        _amend(one, {"entered_in_error": True}, by, reason, treatment)


def strike(treatment: TreatmentSession, *, by: Person, reason: str) -> None:
    """Strike every row of a treatment that was entered in error."""
    rows = (
        *measurements_of(treatment),
        *treatment.staff.filter(entered_in_error=False),
        *treatment.adverse_events.filter(entered_in_error=False),
    )
    for row in rows:
        _amend(row, {"entered_in_error": True}, by, reason, treatment)


def measurements_of(treatment: TreatmentSession) -> list[Measurement]:
    """The values taken at a treatment, struck ones left out."""
    rows = Measurement.objects.filter(treatment_id=treatment.pk, entered_in_error=False)
    return list(rows.order_by("moment", "kind", "id"))


def payload_of(treatment: TreatmentSession) -> SessionPayload:
    """A stored treatment as the payload that says the same."""
    given = treatment.delivered != Delivered.NOT_DELIVERED
    sputum = SputumSeen(
        state=treatment.sputum,
        volume_tenths_ml=treatment.sputum_volume_tenths_ml,
        mass_tenths_g=treatment.sputum_mass_tenths_g,
        method=treatment.sputum_method or None,
        colour=treatment.sputum_colour,
        consistency=treatment.sputum_consistency or None,
    )
    return SessionPayload(
        id=treatment.pk,
        patient=treatment.patient_id,
        order=treatment.order_id,
        window=treatment.window_id,
        visit=treatment.visit_id,
        technique=treatment.technique,
        teaching=treatment.teaching,
        started_at=treatment.started_at,
        ended_at=treatment.ended_at if given else None,
        delivered=treatment.delivered,
        reason=treatment.reason or None,
        reason_words=treatment.reason_words,
        done=Done(
            sets=treatment.sets_done,
            breaths_per_set=treatment.breaths_per_set_done,
            minutes=treatment.minutes_done,
            positions=treatment.positions_done,
            cycles=treatment.cycles_done,
            huffs=treatment.huffs_done,
            exhalation=treatment.exhalation or None,
            settings={
                name: tuple(value) if isinstance(value, list) else value
                for name, value in treatment.done_details.items()
            },
        ),
        measurements=tuple(_measured(row) for row in measurements_of(treatment)),
        sputum=sputum if treatment.sputum else None,
        blood=BloodSeen(treatment.blood, treatment.blood_volume_ml) if treatment.blood else None,
        tolerance=treatment.tolerance or None,
        adverse_events=tuple(
            AdverseEventSeen(row.pk, row.kind, row.at, row.action_taken, row.told)
            for row in treatment.adverse_events.filter(entered_in_error=False).order_by("at", "id")
        ),
        delivered_by=treatment.delivered_by or None,
        staff=tuple(
            StaffTime(row.person_id, row.minutes)
            for row in treatment.staff.filter(entered_in_error=False).order_by("id")
        ),
        notes=treatment.notes,
        device=RecordingDevice(treatment.device, treatment.clock_offset_ms),
    )


def _measured(row: Measurement) -> Measured:
    oxygen = Oxygen(row.oxygen_device, row.oxygen_flow_ml_per_min, row.fio2_percent)
    return Measured(
        row.kind, row.moment, row.value, oxygen if row.oxygen_device else None, row.confirmed_reason
    )


def _measurement_columns(treatment: TreatmentSession, measured: Measured) -> dict[str, Any]:
    after = measured.moment == "after"
    oxygen = measured.oxygen
    return {
        "value": measured.value,
        "measured_at": (treatment.ended_at if after else None) or treatment.started_at,
        "oxygen_device": oxygen.device if oxygen else "",
        "oxygen_flow_ml_per_min": oxygen.flow_ml_per_min if oxygen else None,
        "fio2_percent": oxygen.fio2_percent if oxygen else None,
        "confirmed_reason": measured.unusual_because,
    }


def _add_measurement(treatment: TreatmentSession, measured: Measured, by: Person) -> None:
    Measurement.objects.create(
        patient_id=treatment.patient_id,
        treatment_id=treatment.pk,
        kind=measured.kind,
        moment=measured.moment,
        by=by,
        **_measurement_columns(treatment, measured),
    )


def _add_event(treatment: TreatmentSession, event: AdverseEventSeen, by: Person, source: str) -> None:
    row = AdverseEvent.objects.create(
        id=event.id,
        treatment=treatment,
        patient_id=treatment.patient_id,
        kind=event.kind,
        at=event.at,
        action_taken=event.action_taken,
        told=event.told,
        by=by,
    )
    alerts.adverse_event_flag(row, by=by, at=treatment.recorded_at, source=source)


def _amend(
    row: Any, changes: Mapping[str, Any], by: Person, reason: str, treatment: TreatmentSession
) -> None:
    records.amend(
        row,
        by=by,
        reason=reason,
        changes=changes,
        expect_version=row.version,
        patient=treatment.patient_id,
    )
