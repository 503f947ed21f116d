"""The demo clinic itself: units, staff, shifts, absence, and what each therapist is trained for."""

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.contrib.auth.hashers import make_password

from clinic.models import Absence, Competency, Person, Shift, Unit
from clinic.staff.roles import Role
from clinic.units.selectors import standard_minutes
from clinic.units.services import ensure_defaults
from therapy.orders.doses import TECHNIQUES
from therapy.pages.demo.accounts import DEMO_ACCOUNTS, DEMO_PHRASE
from therapy.pages.demo.book import Book
from therapy.pages.demo.clock import DemoClock

HISTORY_DAYS, AHEAD_DAYS = 70, 14

_UNITS: tuple[tuple[str, str, str, time, time, dict[str, list[str]]], ...] = (
    ("step_down", "Step-down unit", "step_down", time(6), time(23), {"4": ["08:00", "12:00", "16:00", "20:00"]}),
    ("acute", "Acute ward", "acute", time(7), time(22), {}),
    ("outpatient", "Outpatient room", "outpatient", time(7), time(22), {}),
    ("home", "Home round", "home", time(8), time(20), {}),
)  # fmt: skip

_LATE = {"thornapple"}
_WEEKEND_TEAMS = (("lindqvale", "quillfeather"), ("heron", "thornapple"), ("quillfeather", "otterby"))


@dataclass
class Service:
    """The units and people by their short names, and who is present when."""

    units: dict[str, Unit]
    people: dict[str, Person]
    present: dict[tuple[str, object], tuple[datetime, datetime]]
    standard: dict[tuple[str, str], int]

    @property
    def lead(self) -> Person:
        return self.people["saltmarsh"]

    def minutes(self, technique: str) -> int:
        """Standard minutes of one treatment."""
        return self.standard["technique", technique]


def build(book: Book, clock: DemoClock) -> Service:
    """Write units, settings and staff, and keep their shifts."""
    units: dict[str, Unit] = {}
    for key, name, setting, wakes, sleeps, fixed in _UNITS:
        units[key], _ = Unit.objects.get_or_create(
            name=name,
            defaults={
                "care_setting": setting,
                "wakes_at": wakes,
                "sleeps_at": sleeps,
                "fixed_times": fixed,
                "phone": f"45{len(units)}0",
            },
        )
    ensure_defaults()
    service = Service(units, _people(), {}, standard_minutes())
    _shifts(book, clock, service)
    _absences(book, clock, service)
    for person in service.people.values():
        if person.role == Role.THERAPIST:
            _competencies(book, clock, person)
    return service


def _people() -> dict[str, Person]:
    hashed = make_password(DEMO_PHRASE)
    people = {}
    for number, account in enumerate(DEMO_ACCOUNTS):
        people[account.username] = Person.objects.create(
            username=account.username,
            password=hashed,
            given_name=account.given_name,
            family_name=account.family_name,
            role=account.role,
            profession=account.profession,
            licensed=account.licensed,
            phone=f"44{70 + number}",
        )
    return people


def _shifts(book: Book, clock: DemoClock, service: Service) -> None:
    therapists = [name for name, person in service.people.items() if person.role == Role.THERAPIST]
    for days_ago in range(HISTORY_DAYS, -AHEAD_DAYS - 1, -1):
        day = clock.day(days_ago)
        weekend = day.weekday() >= 5
        # Today everybody has a shift, whatever weekday the demo is loaded on.
        team = _WEEKEND_TEAMS[day.isocalendar().week % 3] if weekend and days_ago else tuple(therapists)
        for name in team:
            start, end = (time(12), time(20, 30)) if name in _LATE else (time(8), time(16, 30))
            pause = time(16) if name in _LATE else time(12, 30)
            break_start = clock.on(day, pause)
            shift = Shift(
                person=service.people[name],
                start=clock.on(day, start),
                end=clock.on(day, end),
                break_start=break_start,
                break_end=break_start + timedelta(minutes=30),
            )
            book.add(shift)
            service.present[name, day] = (shift.start, shift.end)


def _absences(book: Book, clock: DemoClock, service: Service) -> None:
    off = (
        ("heron", 0, 0, "sick", "Rang in at 07:10"),
        ("otterby", 25, 21, "leave", ""),
        ("quillfeather", 16, 16, "training", "Ward teaching day"),
        ("thornapple", 40, 38, "sick", ""),
        ("lindqvale", -5, -8, "leave", ""),
    )
    for name, first, last, reason, words in off:
        book.add(
            Absence(
                person=service.people[name],
                start=clock.at(first, "07:10"),
                end=clock.at(last, "21:00"),
                reason=reason,
                words=words,
            )
        )
        for days_ago in range(first, last - 1, -1):
            service.present.pop((name, clock.day(days_ago)), None)


def _competencies(book: Book, clock: DemoClock, person: Person) -> None:
    for technique in TECHNIQUES:
        if person.profession == "student" and technique in ("mi_e", "hfcwo", "head_down_drainage"):
            continue
        if technique == "mi_e" and person.username == "thornapple":
            continue
        book.add(
            Competency(
                person=person, technique=technique, valid_from=clock.day(400), valid_until=clock.day(-300)
            )
        )
