"""Giving patients to therapists: who has nobody, whose therapist is away, and sharing them out in one step.

Puts together what the parts say and calls their services; writes nothing itself.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from clinic import formats
from clinic.assignments import selectors as assignments
from clinic.assignments import services as assigning
from clinic.attention import services as attention
from clinic.models import Absence, Assignment, Patient, Person, Referral
from clinic.patients import selectors as patients
from clinic.patients.selectors import PatientRow
from clinic.records import Refused
from clinic.referrals import selectors as referrals
from clinic.referrals import services as referral_services
from clinic.staff import selectors as staff
from clinic.units.selectors import number
from therapy.pages import minutes
from therapy.scheduling import selectors as scheduling
from therapy.scheduling import services as schedule
from therapy.scheduling.models import DueWindow, VisitStaff, VisitState, WindowState


@dataclass(frozen=True)
class Therapist:
    """Somebody who may be given a patient: minutes due and present for the rest of the day."""

    person: Person
    due: int
    present: int

    @property
    def free(self) -> int:
        """Minutes present that nothing is due in; negative where too much is."""
        return self.present - self.due

    @property
    def words(self) -> str:
        """`T. Lindqvale: 244 of 420 min` or `S. Heron: not present`."""
        if not self.present:
            return f"{self.person}: not present"
        return f"{self.person}: {self.due:,} of {self.present:,} min"


def therapists(day: date, now: datetime) -> list[Therapist]:
    """Everybody who treats, with minutes due against minutes present, by name."""
    rows = {row.person.pk: row for row in minutes.today(day, now).rows if row.person is not None}
    found = []
    for person in staff.therapists(with_lead=True):
        row = rows.get(person.pk)
        if person.role == "therapist" or (row is not None and row.present):
            found.append(Therapist(person, row.due if row else 0, row.present if row else 0))
    return found


@dataclass(frozen=True)
class Unassigned:
    """A patient without a therapist, with the referral that waits longest within the highest urgency."""

    who: PatientRow
    referral: Referral | None
    waiting: timedelta | None


def unassigned(person: Person, now: datetime) -> list[Unassigned]:
    """Patients without a therapist: those with a referral by urgency and waiting, then the others by name."""
    first: dict[UUID, Referral] = {}
    for referral in referrals.unassigned(person):
        first.setdefault(referral.patient_id, referral)
    others = [one for one in assignments.without_therapist(person) if one.pk not in first]
    who = patients.in_list([*(referral.patient for referral in first.values()), *others])
    return [
        Unassigned(row, referral, referrals.waiting(referral, now) if referral else None)
        for row in who
        for referral in [first.get(row.patient.pk)]
    ]


@transaction.atomic
def assign_all(by: Person, chosen: Mapping[Patient, Person], *, reason: str = "") -> int:
    """Assign patients to therapists; the referral that brought a patient is accepted with it."""
    waiting = {referral.patient_id: referral for referral in reversed(list(referrals.open_referrals(by)))}
    for patient, therapist in chosen.items():
        referral = waiting.get(patient.pk)
        if referral is not None:
            referral_services.decide(referral, by=by, outcome="accepted", expect_version=referral.version)
        assigning.assign(patient, to=therapist, by=by, reason=reason)
    return len(chosen)


@dataclass(frozen=True)
class NotCovered:
    """A patient whose therapist is away for the rest of a day, what is due, and who might take over."""

    who: PatientRow
    owner: Person
    words: str
    until: datetime
    treatments: int
    minutes: int
    proposed: Person | None
    with_visits: tuple[int, ...]
    """Whose visits have to be given to somebody else: the owner's, and those of whoever covers and is absent too."""
    for_good: bool = False
    """The owner will not be back: somebody else is to be assigned."""


def not_covered(
    person: Person, day: date, now: datetime, offered: Iterable[Therapist], *, owner_id: int | None = None
) -> list[NotCovered]:
    """Patients of whoever is not present any more on a day, whom nobody who is present covers.

    Of an absent therapist, and of one whose account is closed, all patients; where the therapist, or whoever covers,
    only has no shift (any more), those with something still due.
    """
    start, end = staff.day_span(day)
    now = max(now, start)
    present = {one.person.pk: one for one in staff.presence(day, staff.therapists(with_lead=True))}
    away = {key: one.absence for key, one in present.items() if not one.minutes_from(now)}
    due, sums = _still_due(day, now)
    goes_on = timedelta(hours=number("covering_access_hours"))
    there = present.keys() - away.keys()
    found = list(assignments.not_covered(person, at=now, there=there, owner_id=owner_id))
    covering = assignments.covering([row.patient_id for row in found], at=now)

    def absent(one: int) -> bool:
        return one not in present or away.get(one) is not None

    rows = [
        row
        for row in found
        if due[row.patient_id]
        or all(absent(one) for one in (row.therapist_id, *covering.get(row.patient_id, ())))
    ]
    who = {one.patient.pk: one for one in patients.in_list([row.patient for row in rows])}
    proposed = _spread({row.patient_id: sums[row.patient_id] for row in rows}, offered)
    return [
        NotCovered(
            who=who[row.patient_id],
            owner=row.therapist,
            words=_away_words(row, away.get(row.therapist_id), gone=row.therapist_id not in present),
            until=_until(away.get(row.therapist_id), end) + goes_on,
            treatments=due[row.patient_id],
            minutes=sums[row.patient_id],
            proposed=proposed.get(row.patient_id),
            with_visits=(
                row.therapist_id,
                *(one for one in covering.get(row.patient_id, ()) if absent(one)),
            ),
            for_good=row.therapist_id not in present,
        )
        for row in rows
    ]


def _still_due(day: date, now: datetime) -> tuple[Counter[UUID], Counter[UUID]]:
    """How many treatments of each patient are still due on a day, and the minutes they take."""
    windows = list(
        DueWindow.objects.filter(service_date=day, state=WindowState.OPEN, latest__gte=now).select_related(
            "patient__unit"
        )
    )
    apart = scheduling.minutes_apart(windows)
    due: Counter[UUID] = Counter(window.patient_id for window in windows)
    sums: Counter[UUID] = Counter()
    for window in windows:
        sums[window.patient_id] += window.minutes + apart[window.pk]
    return due, sums


def _away_words(row: Assignment, absence: Absence | None, *, gone: bool) -> str:
    if gone:
        return minutes.gone_words(row.therapist)
    if absence is None:
        return f"{row.therapist} is not on shift"
    return f"{row.therapist} {minutes.absence_words(absence)}"


def _until(absence: Absence | None, end_of_day: datetime) -> datetime:
    return max(absence.end, end_of_day) if absence is not None else end_of_day


def _spread(wanted: Mapping[UUID, int], offered: Iterable[Therapist]) -> dict[UUID, Person]:
    """Spread patients by free minutes: the longest first, each to whoever has most minutes free then."""
    free = {one.person: one.free for one in offered if one.present}
    spread: dict[UUID, Person] = {}
    if not free:
        return spread
    for patient_id, takes in sorted(wanted.items(), key=lambda item: (-item[1], str(item[0]))):
        person = max(free, key=lambda one: (free[one], -one.pk))
        spread[patient_id] = person
        free[person] -= takes
    return spread


@dataclass(frozen=True)
class SharedOut:
    """What came of sharing out: patients covered, visits moved, and visits taken off with the reason."""

    covered: int
    moved: int
    taken_off: tuple[str, ...]


@transaction.atomic
def share_out(by: Person, chosen: Iterable[tuple[NotCovered, Person]]) -> SharedOut:
    """Cover every chosen patient by the therapist chosen for it, in one step; the assigned therapist stays.

    Scheduled visits of whoever is away go to the new therapist at their time; where that is not possible the visit
    is taken off, and its window stays due for the day schedule.
    """
    moved, taken_off = 0, []
    chosen = list(chosen)
    for row, to in chosen:
        assigning.cover(row.who.patient, to=to, by=by, until=row.until, reason=row.words)
        done, refused = _hand_visits(by, row, to)
        moved += done
        taken_off += refused
    for to in dict.fromkeys(to for _, to in chosen):
        mine = [row for row, person in chosen if person.pk == to.pk]
        why = "; ".join(dict.fromkeys(row.words for row in mine))
        words = f"You cover {formats.count(len(mine), 'patient')}: {why}."
        attention.tell(to=to, by=by, kind="covering", words=words[:1000])
    return SharedOut(len(chosen), moved, tuple(taken_off))


def _hand_visits(by: Person, row: NotCovered, to: Person) -> tuple[int, list[str]]:
    places = (
        VisitStaff.objects.filter(
            visit__patient=row.who.patient,
            person__in=row.with_visits,
            state=VisitState.SCHEDULED,
            start__gte=timezone.now(),
            start__lt=row.until,
        )
        .select_related("visit__window", "visit__patient")
        .order_by("start", "id")
    )
    moved, refused = 0, []
    for place in list(places):
        visit = place.visit
        others = [
            one.person
            for one in VisitStaff.objects.filter(visit=visit, state=VisitState.SCHEDULED).select_related(
                "person"
            )
            if one.person_id not in (*row.with_visits, to.pk)
        ]
        try:
            schedule.move(by=by, visit=visit, therapists=[to, *others], start=visit.start, reason=row.words)
            moved += 1
        except Refused as why:
            schedule.take_back(by=by, visit=visit, reason=f"{row.words}; {why.message}")
            refused.append(f"{row.who.number} at {formats.time(visit.start)}: {why.message}")
    return moved, refused
