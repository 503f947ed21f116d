"""Reads accounts and presence."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import QuerySet
from django.utils import timezone

from clinic import calendar
from clinic.staff import rules
from clinic.staff.models import Absence, Competency, Person, Shift, ShiftState
from clinic.staff.roles import Role
from clinic.units.defaults import MINUTES_WORDS


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

    def minutes_from(self, at: datetime) -> int:
        """Minutes present that are left of the day; 0 for whoever is away, has no shift, or has gone home."""
        ends = max((one.end for one in self.stretches), default=at)
        return sum(one.minutes for one in rules.within(self.stretches, at, ends))


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


def monday_of(week: str, *, today: date) -> date:
    """The Monday of an ISO week written 2026-W48; of this week for anything else."""
    try:
        year, _, number = week.partition("-W")
        return date.fromisocalendar(int(year), int(number), 1)
    except ValueError:
        return today - timedelta(days=today.weekday())


def week_name(day: date) -> str:
    """The ISO week of a day: 2026-W48."""
    year, number, _ = day.isocalendar()
    return f"{year}-W{number:02d}"


@dataclass(frozen=True)
class WeekRow:
    """A person's week: shifts and absences by day, and minutes present."""

    person: Person
    days: tuple[tuple[date, tuple[Shift, ...], tuple[Absence, ...]], ...]
    minutes: int


def week(monday: date) -> list[WeekRow]:
    """The week of everybody who treats, in three queries."""
    people = list(therapists(with_lead=True))
    span = day_span(monday)[0], day_span(monday + timedelta(days=6))[1]
    shifts, absences = list(shifts_between(*span)), list(absences_between(*span))
    rows = []
    for person in people:
        mine = [shift for shift in shifts if shift.person_id == person.pk]
        away = [absence for absence in absences if absence.person_id == person.pk]
        days = []
        for offset in range(7):
            start, end = day_span(monday + timedelta(days=offset))
            days.append(
                (
                    monday + timedelta(days=offset),
                    tuple(shift for shift in mine if start <= shift.start < end),
                    tuple(absence for absence in away if absence.start < end and absence.end > start),
                )
            )
        rows.append(WeekRow(person, tuple(days), _presence(person, mine, away, *span).minutes))
    return rows


def shifts_of(person: Person, monday: date) -> list[Shift]:
    """A person's planned shifts of a week."""
    span = day_span(monday)[0], day_span(monday + timedelta(days=6))[1]
    return list(shifts_between(*span).filter(person=person))


def absences_of(person: Person, now: datetime) -> list[Absence]:
    """A person's absences that have not ended."""
    rows = Absence.objects.filter(person=person, cancelled=False, end__gt=now)
    return list(rows.order_by("start", "id"))


def competencies_of(person: Person, today: date) -> list[tuple[str, Competency, bool]]:
    """What a person is or was trained for: the words, the row, and whether it holds today."""
    rows = Competency.objects.filter(person=person).order_by("technique", "-valid_from", "id")
    return [
        (
            MINUTES_WORDS.get(("technique", row.technique), row.technique),
            row,
            row.valid_from <= today and (row.valid_until is None or row.valid_until >= today),
        )
        for row in rows
    ]


def rest_of_today(now: datetime) -> dict[str, datetime]:
    """From now until the end of the local day, as a form begins."""
    return {"start": now.replace(second=0, microsecond=0), "end": day_span(timezone.localdate(now))[1]}
