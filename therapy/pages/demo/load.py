"""Loads the demo clinic: invented, seeded, told relative to one day; only into an empty training database."""

import random
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from clinic import formats
from clinic.models import (
    Absence,
    AccessGrant,
    Assignment,
    Competency,
    GoalOfCare,
    IsolationNote,
    Measurement,
    Notice,
    Patient,
    PatientIdentity,
    Person,
    Referral,
    Shift,
    SpO2Target,
)
from clinic.records import Refused
from screening.models import Answer, Decision, Screening, TechniqueResult
from therapy.models import (
    AdverseEvent,
    DueWindow,
    IndependentSets,
    InhaledMedicine,
    Order,
    OrderHold,
    OrderSignature,
    Reassessment,
    ScheduledVisit,
    TreatmentSession,
    TreatmentStaff,
    VisitStaff,
)
from therapy.pages.demo import (
    cases,
    concerns,
    course,
    live,
    numbers,
    patients,
    policy,
    replay,
    service,
    today,
)
from therapy.pages.demo.book import Book
from therapy.pages.demo.clock import DemoClock
from therapy.pages.demo.diary import Diary
from therapy.pages.demo.scene import Scene

# Each table after those that it points to.
_TABLES = (
    Shift, Absence, Competency, Patient, PatientIdentity, Referral, Assignment, AccessGrant, IsolationNote, SpO2Target,
    GoalOfCare, Screening, Answer, TechniqueResult, Decision, Order, OrderSignature, OrderHold, InhaledMedicine,
    DueWindow, ScheduledVisit, VisitStaff, TreatmentSession, TreatmentStaff, Measurement, AdverseEvent, IndependentSets,
    Reassessment, Notice,
)  # fmt: skip
DEMO_HOUR = time(9, 41)
REPLAY_DAYS = 1
WAITING = ("waiting", "more_information")


def load(*, seed: int = 1, day: date | None = None, small: bool = False) -> dict[str, int]:
    """Write the demo clinic and return how many rows of each table.

    Args:
        day: the day it is told for, today or earlier; today, and the time it is now, when left out.
        small: a handful of patients with a week of history.
    Raises: Refused outside training, for a day to come, and where there are patients or accounts already.
    """
    if not settings.TRAINING_DATA:
        raise Refused("training", "The demo clinic is only for training: CLINIC_TRAINING_DATA is off.")
    if Patient.objects.exists() or Person.objects.exists():
        raise Refused(
            "patients", "There are patients or accounts in this database already: nothing was loaded."
        )
    clock = _clock(day)
    if clock.now > timezone.now():
        # Nothing that happened lies ahead: the services refuse it, and access granted then is not granted yet.
        raise Refused(
            "day",
            f"The demo is told for a day whose {DEMO_HOUR:%H:%M} is over: {formats.date(timezone.localdate())} "
            "or earlier.",
        )
    chance = random.Random(seed)  # noqa: S311 - invented data, nothing is kept secret by it
    with transaction.atomic():
        book = Book(chance)
        clinic = service.build(book, clock)
        scene = Scene(book, clock, clinic, Diary(clinic))
        # Whoever came today and waits is received by the lead, where the clock of the services is the demo's.
        numbered = list(enumerate(cases.cast(chance, small=small)))
        arriving = [each for each in numbered if each[1].outcome in WAITING and day is None]
        rows = patients.build(scene, [each for each in numbered if each not in arriving])
        told_cases = [case for _, case in numbered if case.key in rows]
        told = course.tell(scene, told_cases, rows)
        today.tell(scene, told_cases, rows, told)
        newest = replay.take_out(book, since=clock.at(REPLAY_DAYS, "12:00"))
        book.write(*_TABLES)
        counts = book.counts()
        counts["treatments through the service"] = replay.record(newest)
        live.receive(scene, arriving)
        live.tell(scene, told_cases, told, now_is_now=day is None)
        concerns.tell(scene, rows)
        numbers.tell(scene, rows)
        policy.tell(scene)
        counts["patients"] = Patient.objects.count()
    return counts


def _clock(day: date | None) -> DemoClock:
    zone = ZoneInfo(settings.TIME_ZONE)
    now = timezone.now() if day is None else datetime.combine(day, DEMO_HOUR, zone).astimezone(UTC)
    return DemoClock(today=now.astimezone(zone).date(), now=now, zone=zone)
