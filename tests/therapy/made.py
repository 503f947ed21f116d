"""Small makers of orders, windows, treatments and measurements for the tests of figures."""

from datetime import timedelta
from itertools import count

from clinic.models import Measurement
from therapy.models import DueWindow, Order, TreatmentSession, TreatmentStaff

_ordinals = count(1)


def order(patient, by, started_at, **fields):
    given = {"technique": "oscillating_pep", "sets": 4, "times_a_day": 3} | fields
    return Order.objects.create(
        patient=patient, source="written", prescriber="Dr Alder", by=by, started_at=started_at, **given
    )


def window(of, earliest, *, hours=2, **fields):
    return DueWindow.objects.create(
        order=of,
        patient=of.patient,
        technique=of.technique,
        service_date=earliest.date(),
        ordinal=next(_ordinals) % 30_000,
        earliest=earliest,
        latest=earliest + timedelta(hours=hours),
        minutes=30,
        **fields,
    )


def treatment(of, by, started_at, delivered="full", *, minutes=25, **fields):
    row = TreatmentSession.objects.create(
        patient=of.patient,
        order=of,
        technique=of.technique,
        service_date=started_at.date(),
        started_at=started_at,
        delivered=delivered,
        recorded_by=by,
        recorded_at=started_at,
        payload_version="session/1",
        payload_sha256="0" * 64,
        **fields,
    )
    TreatmentStaff.objects.create(treatment=row, person=by, minutes=minutes)
    return row


def measured(of, kind, moment, value, by, **oxygen):
    return Measurement.objects.create(
        patient=of.patient,
        treatment_id=of.pk,
        kind=kind,
        moment=moment,
        value=value,
        measured_at=of.started_at,
        by=by,
        **oxygen,
    )
