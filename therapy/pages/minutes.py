"""Minutes of treatment due today against minutes present, therapist by therapist: workload, never an outcome."""

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.utils import timezone

from clinic import formats
from clinic.assignments import selectors as assignments
from clinic.models import Absence, Person
from clinic.staff import selectors as staff
from therapy.scheduling import selectors as scheduling
from therapy.scheduling.models import OCCUPIES, DueWindow, VisitStaff, WindowState


@dataclass(frozen=True)
class MinutesRow:
    """One therapist's rest of the day; `person` is None for patients nobody is assigned to."""

    person: Person | None
    name: str
    due: int
    present: int
    absence: str
    patients: int

    @property
    def short(self) -> int:
        """Minutes that are missing; 0 where there are enough."""
        return max(0, self.due - self.present)

    @property
    def bar_words(self) -> str:
        """What the bar shows, in words."""
        return f"{self.due:,} minutes due, {self.present:,} minutes present"


@dataclass(frozen=True)
class Uncovered:
    """Treatments of today that nobody present is to give, of one therapist who is away or of nobody."""

    person: Person | None
    words: str
    patients: int
    windows: int
    minutes: int


@dataclass(frozen=True)
class Today:
    """The rest of the day's work: by therapist, in all, and what is not covered."""

    rows: list[MinutesRow]
    uncovered: list[Uncovered]
    until: datetime | None

    @property
    def due(self) -> int:
        return sum(row.due for row in self.rows)

    @property
    def present(self) -> int:
        return sum(row.present for row in self.rows)


@dataclass(frozen=True)
class _Open:
    """One treatment still due today, who is to give it, and what it takes."""

    window: DueWindow
    whose: int | None
    minutes: int


def today(day: date, now: datetime) -> Today:
    """What is still due today, from now on, against who is still there. A constant number of queries."""
    present = {one.person.pk: one for one in staff.presence(day, staff.therapists(with_lead=True))}
    rest = {person_id: one.minutes_from(now) for person_id, one in present.items()}
    left = _still_due(day, now, {person_id for person_id, minutes in rest.items() if minutes})
    by_person = {
        key: [one for one in left if one.whose == key] for key in dict.fromkeys(one.whose for one in left)
    }
    rows, uncovered = [], []
    for person_id, one in present.items():
        own = by_person.get(person_id, [])
        minutes = rest[person_id]
        if own or one.has_shift:
            absence = absence_words(one.absence) if one.absence else ""
            rows.append(_row(one.person, str(one.person), own, minutes, absence))
        if own and not minutes:
            words = (
                f"{one.person} {absence_words(one.absence)}"
                if one.absence
                else f"{one.person} is not on shift"
            )
            uncovered.append(_uncovered(one.person, words, own))
    gone = Person.objects.in_bulk([key for key in by_person if key is not None and key not in present])
    for person_id, person in sorted(gone.items(), key=lambda one: (str(one[1]), one[0])):
        rows.append(_row(person, str(person), by_person[person_id], 0, "does not treat any more"))
        uncovered.append(_uncovered(person, gone_words(person), by_person[person_id]))
    if nobody := by_person.get(None, []):
        rows.append(_row(None, "Nobody assigned", nobody, 0, ""))
        uncovered.append(_uncovered(None, "No therapist assigned", nobody))
    ends = [part.end for one in present.values() for part in one.stretches]
    return Today(rows, uncovered, max(ends, default=None))


def gone_words(person: Person) -> str:
    """`S. Heron: the account is closed`, of somebody to whom patients are assigned and who treats no more."""
    return f"{person}: the account is closed" if not person.is_active else f"{person} does not treat any more"


def absence_words(absence: Absence) -> str:
    """`off sick since 07:10`."""
    return f"{absence.get_reason_display()} since {_when(absence.start)}"


def _when(at: datetime) -> str:
    same_day = timezone.localdate(at) == timezone.localdate()
    return formats.time(at) if same_day else formats.date(at)


def _still_due(day: date, now: datetime, there: Collection[int]) -> list[_Open]:
    windows = list(
        DueWindow.objects.filter(service_date=day, state=WindowState.OPEN, latest__gte=now)
        .select_related("patient__unit")
        .order_by("latest", "id")
    )
    treating = assignments.treating({window.patient_id for window in windows}, at=now, there=there)
    visits = dict(
        VisitStaff.objects.filter(visit__window__in=windows, state__in=OCCUPIES)
        .order_by("-id")
        .values_list("visit__window_id", "person_id")
    )
    apart = scheduling.minutes_apart(windows)
    found = []
    for window in windows:
        treats, scheduled = treating.get(window.patient_id), visits.get(window.pk)
        # A visit with somebody who is away, of a patient with whom nobody else is, stands with the assigned
        # therapist: there the lead shares it out.
        keeps = scheduled is not None and (scheduled in there or treats is None or treats in there)
        minutes = window.minutes + apart[window.pk]
        found.append(_Open(window, scheduled if keeps else treats, minutes))
    return found


def _row(person: Person | None, name: str, own: Iterable[_Open], present: int, absence: str) -> MinutesRow:
    own = list(own)
    return MinutesRow(
        person=person,
        name=name,
        due=sum(one.minutes for one in own),
        present=present,
        absence=absence,
        patients=len({one.window.patient_id for one in own}),
    )


def _uncovered(person: Person | None, words: str, own: list[_Open]) -> Uncovered:
    patients = Counter(one.window.patient_id for one in own)
    return Uncovered(person, words, len(patients), len(own), sum(one.minutes for one in own))
