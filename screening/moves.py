"""A change of care setting opens a re-screening: a flag for the assigned therapist until the whole was screened again.

Nothing is held ahead of time and no figure or window changes; the guard asks for it where a treatment begins.
"""

import datetime as dt

from django.db import transaction
from django.db.models import OuterRef, Subquery

from clinic import formats
from clinic.assignments import selectors as assignments
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.patients import selectors as patients
from clinic.patients.models import CareSettingChange, Patient, PatientState
from clinic.staff.models import Person
from clinic.units import selectors as units
from screening.models import Screening

KEY = "screen-again:"


def follow_move(change: CareSettingChange) -> None:
    """Open the flag of one change, where the patient was screened; one that was not is asked for everything anyway."""
    screening = Screening.objects.filter(patient=change.patient_id, ended_at__isnull=True).first()
    if screening is not None and not gone_through_since(screening, change.at):
        _open(change)


def open_missing() -> int:
    """For a job: open the flag of each change whose re-screening is wanted and that has none. Twice changes nothing."""
    newest = CareSettingChange.objects.filter(patient=OuterRef("patient")).order_by("-at", "-pk")
    changes = CareSettingChange.objects.filter(
        pk=Subquery(newest.values("pk")[:1]), patient__state=PatientState.ACTIVE
    ).select_related("patient")
    by_patient = {one.patient_id: one for one in changes.order_by("pk")}
    known = set(
        Flag.objects.filter(key__startswith=KEY, patient__in=by_patient).values_list("key", flat=True)
    )
    opened = 0
    for screening in Screening.objects.filter(patient__in=by_patient, ended_at__isnull=True).order_by("pk"):
        change = by_patient[screening.patient_id]
        if key_of(change) not in known and not gone_through_since(screening, change.at):
            with transaction.atomic():
                opened += _open(change)
    return opened


def close_screened_again(patient: Patient, screening: Screening, *, by: Person) -> None:
    """Close what waits for a screening, once all of it was gone through since the last change."""
    changes = patients.care_setting_changes([patient.pk]).get(patient.pk, [])
    if not changes or not gone_through_since(screening, changes[0]):
        return
    for flag in _waiting(patient):
        attention.close_flag(flag, by=by, outcome="done", words="Screened again")


def gone_through_since(screening: Screening, at: dt.datetime) -> bool:
    """Whether all of the screening was gone through at that time or after it."""
    return screening.whole_at is not None and screening.whole_at >= at


def _open(change: CareSettingChange) -> bool:
    patient = change.patient
    for flag in _waiting(patient):
        if flag.key != key_of(change):
            attention.close_flag(flag, by=None, outcome="superseded", words="The care setting changed again")
    was = f" from {change.get_was_display()}" if change.was else ""
    _, opened = attention.open_flag(
        kind=FlagKind.SCREEN_AGAIN,
        key=key_of(change),
        words=f"Screen again: the care setting changed{was} to {change.get_now_display()}, "
        f"{formats.date_time(change.at)}. No treatment begins before.",
        due_at=change.at + dt.timedelta(minutes=units.number("screen_again_minutes")),
        patient=patient,
        owner=assignments.current([patient.pk]).get(patient.pk),
        by=change.by,
    )
    return opened


def _waiting(patient: Patient) -> list[Flag]:
    rows = Flag.objects.filter(patient=patient, kind=FlagKind.SCREEN_AGAIN, state__in=attention.NOT_CLOSED)
    return list(rows.order_by("id"))


def key_of(change: CareSettingChange) -> str:
    """The key of the flag of one change."""
    return f"{KEY}{change.pk}"
