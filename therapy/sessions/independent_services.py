"""Writes what the patient says was done alone; never pooled with treatments, never clamped."""

from datetime import date

from django.db import transaction
from django.http import Http404
from django.utils import timezone

from clinic import records
from clinic.access import CLINICAL, patients_visible_to, require
from clinic.audit import services as audit
from clinic.models import Patient, Person
from clinic.records import Refused
from therapy.orders.models import Order
from therapy.sessions.models import IndependentSets

REPORTED_BY = ("patient", "carer")
MOST_SETS = 60


@transaction.atomic
def record_independent_sets(
    *,
    by: Person,
    patient: Patient,
    service_date: date,
    sets_done: int,
    reported_by: str,
    order: Order | None = None,
    source: str = "web",
) -> IndependentSets:
    """Store one day of the diary as it was told. A day without an entry is not a zero: it stays without one.

    Raises: Refused naming the field, also where the day has an entry already (amend that one); Http404.
    """
    require(by, *CLINICAL)
    _locked(by, patient)
    _check(sets_done, reported_by)
    if order is not None and order.patient_id != patient.pk:
        raise Refused("order", "This order is another patient's.")
    if service_date > timezone.localdate():
        raise Refused("service_date", "The day must be today or in the past.")
    if IndependentSets.objects.filter(
        patient=patient, order=order, service_date=service_date, entered_in_error=False
    ).exists():
        raise Refused("service_date", "This day has an entry already: correct that one.")
    row = IndependentSets.objects.create(
        patient=patient,
        order=order,
        service_date=service_date,
        sets_done=sets_done,
        sets_ordered=order.independent_sets_a_day if order is not None else None,
        reported_by=reported_by,
        by=by,
    )
    audit.record(action="independent_sets_recorded", by=by, subject=row, patient=patient, source=source)
    return row


@transaction.atomic
def amend_independent_sets(
    *, by: Person, entry: IndependentSets, sets_done: int, reason: str, expect_version: int
) -> IndependentSets:
    """Correct a day of the diary; the older version stays readable.

    Raises: Changed when somebody else was first; Refused without a reason, or where the day was struck; Http404.
    """
    require(by, *CLINICAL)
    _locked(by, entry.patient)
    _check_not_struck(entry)
    _check(sets_done, entry.reported_by)
    if IndependentSets.objects.filter(pk=entry.pk, sets_done=sets_done).exists():
        raise Refused("sets_done", f"This day says {sets_done} already.")
    return records.amend(
        entry, by=by, reason=reason, changes={"sets_done": sets_done}, expect_version=expect_version
    )


@transaction.atomic
def strike_independent_sets(
    *, by: Person, entry: IndependentSets, reason: str, expect_version: int
) -> IndependentSets:
    """Strike a day of the diary that was entered in error: it stays readable, no figure counts it."""
    require(by, *CLINICAL)
    _locked(by, entry.patient)
    _check_not_struck(entry)
    return records.amend(
        entry, by=by, reason=reason, changes={"entered_in_error": True}, expect_version=expect_version
    )


def _locked(by: Person, patient: Patient) -> None:
    if not patients_visible_to(by).filter(pk=patient.pk).exists():
        raise Http404
    Patient.objects.select_for_update().get(pk=patient.pk)


def _check_not_struck(entry: IndependentSets) -> None:
    if IndependentSets.objects.filter(pk=entry.pk, entered_in_error=True).exists():
        raise Refused("entry", "This day was struck as entered in error.")


def _check(sets_done: int, reported_by: str) -> None:
    if not 0 <= sets_done <= MOST_SETS:
        raise Refused("sets_done", f"Sets done must be from 0 to {MOST_SETS}.")
    if reported_by not in REPORTED_BY:
        raise Refused("reported_by", f"Reported by must be one of {', '.join(REPORTED_BY)}.")
