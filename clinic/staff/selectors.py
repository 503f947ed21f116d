"""Reads accounts and presence."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import QuerySet
from django.utils import timezone

from clinic import calendar
from clinic.staff import rules
from clinic.staff.models import Absence, Person, Shift, ShiftState
from clinic.staff.roles import Role


def accounts() -> QuerySet[Person]:
    """Every account, the open ones first."""
    rows: QuerySet[Person] = Person.objects.order_by("-is_active", "family_name", "given_name", "id")
    return rows


def therapists(*, with_lead: bool = False) -> QuerySet[Person]:
    """Whoever treats and has an open account, by name."""
    roles = (Role.THERAPIST, Role.LEAD) if with_lead else (Role.THERAPIST,)
    rows: QuerySet[Person] = Person.objects.filter(role__in=roles, is_active=True)
    return rows.order_by("family_name", "given_name", "id")


@dataclass(frozen=True)
class Presence:
    """A person's day: when present, how many minutes, and the absence if there is one."""

    person: Person
    stretches: tuple[rules.Stretch, ...]
    minutes: int
    absence: Absence | None
    has_shift: bool


def day_span(day: date) -> tuple[datetime, datetime]:
    """A local day as instants: 23, 24 or 25 hours."""
    zone = timezone.get_default_timezone()
    return calendar.instant_of(day, time(0), zone), calendar.instant_of(
        day + timedelta(days=1), time(0), zone
    )


def presence(day: date, people: Iterable[Person] | None = None) -> list[Presence]:
    """Who is present when on a day: shifts less breaks less absences, in two queries for everybody."""
    listed = list(therapists() if people is None else people)
    start, end = day_span(day)
    shifts: dict[int, list[Shift]] = {}
    for shift in Shift.objects.filter(
        person__in=listed, state=ShiftState.PLANNED, start__lt=end, end__gt=start
    ).order_by("start", "id"):
        shifts.setdefault(shift.person_id, []).append(shift)
    absences: dict[int, list[Absence]] = {}
    for absence in absences_between(start, end).filter(person__in=listed):
        absences.setdefault(absence.person_id, []).append(absence)
    return [
        _presence(person, shifts.get(person.pk, []), absences.get(person.pk, []), start, end)
        for person in listed
    ]


def _presence(
    person: Person, shifts: list[Shift], absences: list[Absence], start: datetime, end: datetime
) -> Presence:
    planned = rules.within((rules.Stretch(shift.start, shift.end) for shift in shifts), start, end)
    away = [
        rules.Stretch(shift.break_start, shift.break_end)
        for shift in shifts
        if shift.break_start is not None and shift.break_end is not None
    ]
    away += [rules.Stretch(absence.start, absence.end) for absence in absences]
    stretches = rules.present(planned, away)
    return Presence(
        person=person,
        stretches=tuple(stretches),
        minutes=sum(one.minutes for one in stretches),
        absence=absences[0] if absences else None,
        has_shift=bool(planned),
    )


def absences_between(start: datetime, end: datetime) -> QuerySet[Absence]:
    """Absences that touch a span, with the person."""
    return (
        Absence.objects.filter(cancelled=False, start__lt=end, end__gt=start)
        .select_related("person")
        .order_by("start", "id")
    )


def shifts_between(start: datetime, end: datetime) -> QuerySet[Shift]:
    """Planned shifts that touch a span, with the person."""
    return (
        Shift.objects.filter(state=ShiftState.PLANNED, start__lt=end, end__gt=start)
        .select_related("person")
        .order_by("start", "id")
    )
