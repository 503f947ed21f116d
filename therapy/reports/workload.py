"""Workload and open items of each therapist: patients, treatments, minutes, and what still waits. Never an outcome."""

from collections import Counter
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Q

from clinic.attention.models import Flag
from clinic.models import Absence, Assignment, Person, Shift
from clinic.staff.roles import Role
from therapy.sessions.models import TreatmentSession, TreatmentStaff


def workload(start: datetime, end: datetime) -> list[dict[str, Any]]:
    """One row per therapist who had anything to do in [start, end), in the order of the names. Eight queries."""
    columns = {
        "patients": _patients(start, end),
        "treatments": _treatments(start, end),
        "minutes_given": _minutes_given(start, end),
        "minutes_present": _minutes_present(start, end),
        "open_flags": _open_flags(end),
        "unsigned": _unsigned(end),
    }
    people = Person.objects.filter(
        Q(role__in=(Role.THERAPIST, Role.LEAD)) | Q(pk__in=list(columns["treatments"]))
    )
    return [
        {"name": str(person)} | {name: column[person.pk] for name, column in columns.items()}
        for person in people.order_by("family_name", "given_name", "id")
        if any(column[person.pk] for column in columns.values())
    ]


def _patients(start: datetime, end: datetime) -> Counter[int]:
    rows = Assignment.objects.filter(Q(ended_at__isnull=True) | Q(ended_at__gt=start), started_at__lt=end)
    return Counter(
        person for person, _ in rows.order_by().values_list("therapist_id", "patient_id").distinct()
    )


def _treatments(start: datetime, end: datetime) -> Counter[int]:
    return Counter(
        TreatmentStaff.objects.filter(
            entered_in_error=False,
            treatment__entered_in_error=False,
            treatment__started_at__gte=start,
            treatment__started_at__lt=end,
            treatment__delivered__in=("full", "part"),
        ).values_list("person_id", flat=True)
    )


def _minutes_given(start: datetime, end: datetime) -> Counter[int]:
    found: Counter[int] = Counter()
    rows = TreatmentStaff.objects.filter(
        entered_in_error=False,
        treatment__entered_in_error=False,
        treatment__started_at__gte=start,
        treatment__started_at__lt=end,
    )
    for person_id, minutes in rows.values_list("person_id", "minutes"):
        found[person_id] += minutes
    return found


def _minutes_present(start: datetime, end: datetime) -> Counter[int]:
    """Minutes on shift in the span, less breaks and absences."""
    away: dict[int, list[tuple[datetime, datetime]]] = {}
    for person_id, gone, back in Absence.objects.filter(
        cancelled=False, end__gt=start, start__lt=end
    ).values_list("person_id", "start", "end"):
        away.setdefault(person_id, []).append((gone, back))
    found: Counter[int] = Counter()
    for shift in Shift.objects.filter(state="planned", end__gt=start, start__lt=end):
        pauses = list(away.get(shift.person_id, ()))
        if shift.break_start and shift.break_end:
            pauses.append((shift.break_start, shift.break_end))
        found[shift.person_id] += minutes_outside(max(shift.start, start), min(shift.end, end), pauses)
    return found


def minutes_outside(start: datetime, end: datetime, pauses: Iterable[tuple[datetime, datetime]]) -> int:
    """Whole minutes of a span that no pause covers, however the pauses overlap."""
    left, reached = timedelta(0), start
    for pause_start, pause_end in sorted(pauses):
        left += max(min(pause_start, end) - reached, timedelta(0))
        reached = min(max(reached, pause_end), end)
    return (left + max(end - reached, timedelta(0))) // timedelta(minutes=1)


def _open_flags(end: datetime) -> Counter[int]:
    """Flags that stood open at the end of the span, by owner."""
    rows = Flag.objects.filter(
        Q(closed_at__isnull=True) | Q(closed_at__gte=end), opened_at__lt=end, owner__isnull=False
    )
    return Counter(owner for owner in rows.values_list("owner_id", flat=True) if owner is not None)


def _unsigned(end: datetime) -> Counter[int]:
    """Treatments that wait for a co-signature, by who recorded them."""
    return Counter(
        TreatmentSession.objects.filter(
            Q(signed_at__isnull=True) | Q(signed_at__gte=end),
            needs_signature=True,
            entered_in_error=False,
            started_at__lt=end,
        ).values_list("recorded_by_id", flat=True)
    )
