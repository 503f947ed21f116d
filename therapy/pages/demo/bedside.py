"""What is recorded at one treatment of the demo: dose done, sputum, values before and after, adverse events."""

import hashlib
import random
from dataclasses import dataclass
from datetime import datetime, timedelta

from clinic.models import Measurement, Person
from therapy.models import AdverseEvent, DueWindow, Order, TreatmentSession, TreatmentStaff
from therapy.pages.demo.book import Book
from therapy.pages.demo.cases import Case
from therapy.sessions.models import Delivered, DeliveredBy, SputumState
from therapy.sessions.rules import DOSE_UNITS, dose_of

_BORG = (0, 5, 10, 20, 30, 40, 50, 60, 70)
_EVENTS = (
    ("hypoxaemia", "Stopped, sat up, oxygen as ordered; back to range in 4 min", "Nurse in charge"),
    ("dizziness_or_hypotension", "Rested between sets, breathed more slowly", "Nurse in charge"),
    ("swallowed_air", "Paused, sat up; went on with smaller breaths", "Nurse in charge"),
    ("pain_or_injury", "Drain site tender: stopped, pillow to splint", "Dr Larkspur"),
)


@dataclass(frozen=True)
class Given:
    """When a treatment was, who gave it, and how far it came."""

    start: datetime
    end: datetime
    by: str
    person: Person
    full: bool
    day_of_course: int
    times_a_day: int


def given(
    book: Book, case: Case, order: Order, window: DueWindow | None, now: Given, *, teaching: bool = False
) -> TreatmentSession:
    """Keep one treatment in full or in part."""
    chance = book.chance
    row = book.add(
        TreatmentSession(
            id=book.new_id(now.start), patient=order.patient, order=order, window=window,
            technique=order.technique, teaching=teaching,
            service_date=window.service_date if window else now.start.date(),
            started_at=now.start, ended_at=now.end, delivered=Delivered.FULL if now.full else Delivered.PART,
            delivered_by=now.by, tolerance=_tolerance(chance, full=now.full), guard_result="none_found",
            needs_signature=now.by == DeliveredBy.STUDENT, **_recording(now.start, now.end, now.person),
        )
    )  # fmt: skip
    _dose_done(chance, row, order, full=now.full)
    _sputum(chance, row, case, now)
    if now.by in (DeliveredBy.THERAPIST, DeliveredBy.STUDENT, DeliveredBy.ASSISTANT):
        minutes = max(1, round((now.end - now.start).total_seconds() / 60))
        book.add(TreatmentStaff(treatment=row, person=now.person, minutes=minutes, created_at=now.end))
        _values(book, row, case, now)
        if chance.random() < 0.012:
            _event(book, row, now)
    return row


@dataclass(frozen=True)
class Missed:
    """When a treatment was not given, who wrote it down, and why: group, reason, words."""

    at: datetime
    by: Person
    reason: tuple[str, str]
    words: str


def not_given(book: Book, order: Order, window: DueWindow, missed: Missed) -> TreatmentSession:
    """Keep one treatment that was not given, with its reason."""
    at, reason = missed.at, missed.reason
    return book.add(
        TreatmentSession(
            id=book.new_id(at), patient=order.patient, order=order, window=window, technique=order.technique,
            service_date=window.service_date, started_at=at, delivered=Delivered.NOT_DELIVERED,
            reason_group=reason[0], reason=reason[1], reason_words=missed.words, guard_result="none_found",
            **_recording(at, at + timedelta(minutes=2), missed.by),
        )
    )  # fmt: skip


def _recording(start: datetime, end: datetime, person: Person) -> dict[str, object]:
    digest = hashlib.sha256(f"demo {start.isoformat()} {person.username}".encode()).hexdigest()
    return {
        "recorded_by": person,
        "recorded_at": end + timedelta(minutes=3),
        "created_at": end + timedelta(minutes=3),
        "payload_version": "session/1",
        "payload_sha256": digest,
        "device": "demo",
    }


def _tolerance(chance: random.Random, *, full: bool) -> str:
    return chance.choices(["well", "tired"], [9, 1] if full else [1, 4])[0]


def _dose_done(chance: random.Random, row: TreatmentSession, order: Order, *, full: bool) -> None:
    def part(whole: int | None) -> int | None:
        return (
            whole if whole is None or full or whole < 2 else max(1, whole - 1 - chance.randint(0, whole // 3))
        )

    # A part is told in the unit in which the dose is counted; the rest of the dose stays as ordered.
    ordered = {unit: getattr(order, unit) for unit in DOSE_UNITS}
    counted = dose_of(ordered, {})
    for unit, amount in ordered.items():
        done = part(amount) if counted is not None and unit == counted.unit else amount
        setattr(row, f"{unit}_done", done)
    if not full:
        row.reason, row.reason_group = chance.choice(
            [("too_tired", "patient"), ("too_tired", "patient"), ("no_time", "service")]
        )
    if "huffs_per_set" in order.dose and row.sets_done:
        row.huffs_done = int(order.dose["huffs_per_set"]) * row.sets_done
    if order.technique in ("pep", "oscillating_pep"):
        row.exhalation = chance.choices(["3_to_4_s", "over_4_s", "under_3_s", "not_timed"], [6, 2, 1, 1])[0]
        row.done_details = {"resistance_setting": order.dose["resistance_setting"]}


def _level(case: Case, day_of_course: int) -> float:
    """How much of the first day's sputum is left: it falls over about a week to its own floor."""
    floor = case.sputum.falls_to
    return floor + (1 - floor) * 0.75 ** max(0, day_of_course)


def _sputum(chance: random.Random, row: TreatmentSession, case: Case, now: Given) -> None:
    level = _level(case, now.day_of_course)
    told = case.sputum.told
    if told == "measured":
        told = chance.choices(
            ["measured", "none", "swallowed", "not_collected", "saliva_only"], [78, 8, 4, 8, 2]
        )[0]
    elif chance.random() < 0.1:
        told = "none"
    row.sputum = told
    if told not in (SputumState.MEASURED, SputumState.SUCTIONED):
        return
    if told == SputumState.MEASURED:
        share = case.sputum.daily_ml * level / max(1, now.times_a_day)
        tenths = max(5, round(share * chance.lognormvariate(0, 0.3) * 10 / 5) * 5)
        if case.unit == "home" and chance.random() < 0.5:
            row.sputum_mass_tenths_g, row.sputum_method = tenths, "scale"
        else:
            row.sputum_volume_tenths_ml = tenths
            row.sputum_method = chance.choice(["pot", "pot", "estimated"])
    row.sputum_colour = min(
        4, max(1, round(case.sputum.colour * (0.55 + 0.45 * level) + chance.uniform(-0.4, 0.4)))
    )
    row.sputum_consistency = chance.choice(["thin", "thick", "thick", "sticky"])
    row.blood = "old" if chance.random() < 0.015 else "none"


def _values(book: Book, row: TreatmentSession, case: Case, now: Given) -> None:
    chance = book.chance
    better = min(2, now.day_of_course // 3)
    before = min(99, case.spo2 + better + chance.randint(-1, 1))
    after = min(100, before + chance.choice([-1, 0, 0, 1, 1, 2]))
    pulse, rate = chance.randint(72, 98), chance.randint(16, 24)
    borg = chance.randint(2, 5)
    eased = borg + chance.choice([-1, -1, 0, 0, 1])
    moments = (
        ("before", now.start, before, pulse, rate, borg),
        ("after", now.end, after, pulse + chance.randint(-2, 9), rate + chance.randint(-3, 2), eased),
    )  # fmt: skip
    for moment, at, spo2, heart, breaths, effort in moments:
        device, flow, fio2 = case.oxygen
        oxygen = {"oxygen_device": device, "oxygen_flow_ml_per_min": flow, "fio2_percent": fio2}
        values = [
            ("spo2_percent", spo2, oxygen),
            ("pulse_per_min", heart, {}),
            ("respiratory_rate_per_min", breaths, {}),
        ]
        if case.age >= 8 and case.sputum.told != "suctioned":
            values.append(("borg_tenths", _BORG[effort], {}))
        for kind, value, more in values:
            book.add(
                Measurement(
                    id=book.new_id(at), patient=row.patient, treatment_id=row.pk, kind=kind, moment=moment,
                    value=value, measured_at=at, by=now.person, created_at=now.end, **more,
                )
            )  # fmt: skip


def _event(book: Book, row: TreatmentSession, now: Given) -> None:
    kind, action, told = book.chance.choice(_EVENTS)
    book.add(
        AdverseEvent(
            id=book.new_id(now.end), treatment=row, patient=row.patient, kind=kind, action_taken=action, told=told,
            at=now.end - timedelta(minutes=5), by=now.person, created_at=now.end,
        )
    )  # fmt: skip
