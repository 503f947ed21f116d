"""Writes who treats whom: assigning, covering, emergency access, and the access that goes with each."""

from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from clinic import records
from clinic.access import NotPermitted, Role, patients_visible_to, require
from clinic.assignments.models import AccessGrant, Assignment, GrantReason
from clinic.attention import services as attention
from clinic.attention.models import Notice
from clinic.audit import services as audit
from clinic.formats import count, date_time
from clinic.patients.models import Patient, PatientState
from clinic.records import Refused
from clinic.staff.models import Person
from clinic.units.selectors import number

HANDOVER = "handover"


@transaction.atomic
def assign(patient: Patient, *, to: Person, by: Person, reason: str = "", source: str = "web") -> Assignment:
    """Give a patient to a therapist, or to another one; the history stays.

    The first therapist needs no reason, a change does. The new one may open the record from now on, the old one
    no longer, unless there is another ground for it.
    Raises: NotPermitted unless the lead; Refused.
    """
    require(by, Role.LEAD)
    if to.role not in (Role.THERAPIST, Role.LEAD) or not to.is_active:
        raise Refused("therapist", "Choose a therapist with an open account.")
    if Patient.objects.get(pk=patient.pk).state in (PatientState.DISCHARGED, PatientState.DIED):
        raise Refused("patient", "The patient is no longer on the caseload.")
    now = timezone.now()
    current = Assignment.objects.filter(patient=patient, ended_at__isnull=True).first()
    if current is not None and current.therapist_id == to.pk:
        return current
    new = Assignment(patient=patient, therapist=to, by=by, reason=reason.strip(), started_at=now)
    if current is None:
        new.save(force_insert=True)
    else:
        if not reason.strip():
            raise Refused("reason", "Enter why another therapist takes over.")
        records.replace(current, new, by=by, at=max(now, current.started_at), reason=reason.strip())
        _end_grants(patient, at=now, by=by, person=current.therapist, why=(GrantReason.ASSIGNED,))
    grant(person=to, patient=patient, why=GrantReason.ASSIGNED, by=by, reason=reason, source=source)
    audit.record(
        action="assigned" if current is None else "re-assigned",
        by=by,
        subject=new,
        patient=patient,
        reason=reason,
        source=source,
    )
    return new


@transaction.atomic
def grant(
    *,
    person: Person,
    patient: Patient,
    why: str,
    by: Person | None,
    at: datetime | None = None,
    until: datetime | None = None,
    reason: str = "",
    source: str = "web",
) -> AccessGrant:
    """Let a person open a patient's record, until a time or until further notice.

    A grant of the same kind that runs as long or longer is found again instead of a second one.
    """
    now = at or timezone.now()
    longer = Q(until_at__isnull=True) if until is None else Q(until_at__isnull=True) | Q(until_at__gte=until)
    there = AccessGrant.objects.filter(
        longer, person=person, patient=patient, why=why, from_at__lte=now
    ).first()
    if there is not None:
        return there
    granted = AccessGrant.objects.create(
        person=person,
        patient=patient,
        why=why,
        by=by,
        from_at=now,
        until_at=until,
        reason=reason.strip()[:300],
    )
    audit.record(
        action="access granted", by=by, subject=granted, patient=patient, reason=str(why), source=source
    )
    return granted


@transaction.atomic
def emergency_access(patient: Patient, *, by: Person, reason: str) -> AccessGrant:
    """Open a record without a grant: a reason, some hours, and the lead is told.

    Raises: NotPermitted unless a therapist; Refused without a reason.
    """
    require(by, Role.THERAPIST)
    if not reason.strip():
        raise Refused("reason", "Enter why you need this patient's record now.")
    if patients_visible_to(by).filter(pk=patient.pk).exists():
        raise Refused("patient", "You may open this record already.")
    hours = number("emergency_access_hours")
    now = timezone.now()
    until = now + timedelta(hours=hours)
    granted = grant(
        person=by, patient=patient, why=GrantReason.EMERGENCY, by=by, at=now, until=until, reason=reason
    )
    audit.record(action="emergency access", by=by, subject=granted, patient=patient, reason=reason)
    attention.tell_leads(
        kind="emergency",
        by=by,
        patient=patient,
        words=f"{by} opened this record by emergency access until {date_time(until)}. Reason: {reason.strip()}",
    )
    return granted


@transaction.atomic
def cover(patient: Patient, *, to: Person, by: Person, until: datetime, reason: str) -> AccessGrant:
    """Let a colleague treat a patient while the assigned therapist is away; the assigned therapist stays.

    Raises: NotPermitted unless the lead; Refused.
    """
    require(by, Role.LEAD)
    if to.role not in (Role.THERAPIST, Role.LEAD) or not to.is_active:
        raise Refused("therapist", "Choose a therapist with an open account.")
    if until <= timezone.now():
        raise Refused("until", "Covering must end in the future.")
    granted = grant(person=to, patient=patient, why=GrantReason.COVERING, by=by, until=until, reason=reason)
    audit.record(action="covering", by=by, subject=granted, patient=patient, reason=reason)
    return granted


@transaction.atomic
def hand_over(patient: Patient, *, by: Person, to: Person, words: str) -> Notice:
    """Leave a note about a patient for a colleague.

    Raises: NotPermitted where `by` may not open the patient; Refused where `to` may not, or without words.
    """
    require(by, Role.LEAD, Role.THERAPIST)
    if not patients_visible_to(by).filter(pk=patient.pk).exists():
        raise NotPermitted("Only whoever treats the patient, and the lead.")
    if not patients_visible_to(to).filter(pk=patient.pk).exists():
        raise Refused("to", "Choose somebody who may open this patient's record.")
    return attention.tell(to=to, by=by, patient=patient, kind=HANDOVER, words=words)


@transaction.atomic
def end_all(patient: Patient, *, by: Person, reason: str) -> None:
    """End assignment and access when a patient leaves the caseload."""
    now = timezone.now()
    current = Assignment.objects.filter(patient=patient, ended_at__isnull=True).first()
    if current is not None:
        records.end(current, by=by, at=max(now, current.started_at), reason=reason)
        audit.record(action="assignment ended", by=by, subject=current, patient=patient, reason=reason)
    _end_grants(patient, at=now, by=by)


def _end_grants(
    patient: Patient,
    *,
    at: datetime,
    by: Person,
    person: Person | None = None,
    why: tuple[str, ...] | None = None,
) -> None:
    running = AccessGrant.objects.filter(Q(until_at__isnull=True) | Q(until_at__gt=at), patient=patient)
    if person is not None:
        running = running.filter(person=person)
    if why is not None:
        running = running.filter(why__in=why)
    ended = running.update(until_at=at)
    if ended:
        audit.record(
            action="access ended", by=by, subject=patient, patient=patient, reason=count(ended, "grant")
        )
