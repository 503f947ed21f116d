"""Reads the board of one day: a lane per therapist with time line and list, and what nobody has yet.

The number of queries does not depend on how many therapists, visits or windows there are.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import QuerySet
from django.utils import timezone

from clinic import formats
from clinic.access import patients_visible_to
from clinic.assignments.models import Assignment
from clinic.models import Absence, Patient, Person, Shift
from clinic.patients.selectors import PatientRow, in_list
from screening import selectors as screenings
from screening.holds import Guard
from therapy.orders.models import Order, OrderHold
from therapy.orders.selectors import changed_to, dose_in_short, ended_words, resting, technique_words
from therapy.scheduling import selectors
from therapy.scheduling.models import OCCUPIES, DueWindow, VisitStaff, VisitState, WindowState

UNITS_PER_MINUTE = 1.6
FIRST_HOUR, LAST_HOUR = 7, 18
# A bar too narrow for its time and patient is read in the list below, to which it leads.
WIDTH_OF_A_TIME = 44


@dataclass(frozen=True, slots=True)
class VisitLine:
    """One visit in a therapist's list.

    ``held`` says why it is on hold; ``ask_again`` is the technique to check at the bedside; both empty where not.
    """

    id: UUID
    who: PatientRow
    start: datetime
    end: datetime
    due: str
    technique: str
    dose: str
    state: str
    held: str
    ask_again: str
    with_others: str

    @property
    def state_words(self) -> str:
        if self.held and self.state == VisitState.SCHEDULED:
            return "on hold"
        return str(VisitState(self.state).label)

    @property
    def may_change(self) -> bool:
        return self.state == VisitState.SCHEDULED


@dataclass(frozen=True, slots=True)
class Bar:
    """A visit, a shift or a break on the time line, in the units of the drawing.

    ``whose`` tells patients apart where a name in full has no room: see `_in_short`.
    """

    x: float
    width: float
    kind: str
    label: str = ""
    whose: str = ""
    words: str = ""
    visit_id: UUID | None = None


@dataclass(frozen=True, slots=True)
class Lane:
    """One therapist's day."""

    person: Person
    present: str
    absent: str
    minutes: int
    shifts: tuple[Bar, ...]
    bars: tuple[Bar, ...]
    lines: tuple[VisitLine, ...]


@dataclass(frozen=True, slots=True)
class FreeWindow:
    """A due window that nobody has yet."""

    id: UUID
    who: PatientRow
    due: str
    technique: str
    dose: str
    minutes: int
    held: str


@dataclass(frozen=True, slots=True)
class FreeGroup:
    """What nobody has yet of the patients assigned to one therapist, or to nobody."""

    therapist: Person | None
    windows: tuple[FreeWindow, ...]
    can_be_given: int


@dataclass(frozen=True, slots=True)
class Axis:
    """The hours over the time lines."""

    start: datetime
    width: float
    hours: tuple[tuple[float, str], ...]

    def at(self, moment: datetime) -> float:
        return round((moment - self.start) / timedelta(minutes=1) * UNITS_PER_MINUTE, 1)


@dataclass(frozen=True, slots=True)
class Board:
    """One day of the service."""

    service_date: date
    axis: Axis
    lanes: tuple[Lane, ...]
    free: tuple[FreeGroup, ...]
    updated_at: datetime
    due: int
    given: int
    free_count: int
    on_hold: int


@dataclass(frozen=True, slots=True)
class _Known:
    """What is looked up once for the whole board."""

    who: Mapping[UUID, PatientRow]
    verdicts: Mapping[tuple[UUID, str, datetime], Guard]
    holds: Mapping[tuple[UUID, str], OrderHold]
    ordered: Mapping[UUID, Order]
    now: datetime

    def held(self, order: Order, start: datetime, end: datetime) -> str:
        if why := ended_words(self.ordered[order.pk]):
            return why
        if hold := self.holds.get((order.patient_id, order.technique)):
            return f"{hold.reason}; {hold.decides} decides by {formats.date_time(hold.decide_by)}"
        verdict = self._verdict(order, start, end)
        return "; ".join(verdict.held_because) if verdict.held else ""

    def ask_again(self, order: Order, start: datetime, end: datetime) -> bool:
        return bool(self._verdict(order, start, end).ask_again)

    def _verdict(self, order: Order, start: datetime, end: datetime) -> Guard:
        return self.verdicts[order.patient_id, order.technique, selectors.asked_at(start, end, self.now)]


def board_of(person: Person, service_date: date, now: datetime) -> Board:
    """The day as a department lead sees it."""
    patients = patients_visible_to(person)
    staff = _staff_rows(patients, service_date)
    windows = list(
        DueWindow.objects.filter(service_date=service_date, patient__in=patients)
        .exclude(state=WindowState.CANCELLED)
        .select_related("patient__identity", "patient__unit", "order")
        .order_by("latest", "id")
    )
    with_visit = {row.visit.window_id for row in staff}
    free = [each for each in windows if each.state == WindowState.OPEN and each.pk not in with_visit]
    known = _known(staff, free, now)
    shifts = list(selectors.shifts_on(service_date))
    axis = _axis(service_date, [*shifts, *staff])
    lanes = _lanes(staff, shifts, service_date, axis, known)
    groups = _groups(free, known)
    free_count = len(free)
    return Board(
        service_date=service_date,
        axis=axis,
        lanes=lanes,
        free=groups,
        updated_at=now,
        due=len(windows),
        given=len(windows) - free_count - sum(1 for each in windows if _over_without_visit(each, with_visit)),
        free_count=free_count,
        on_hold=sum(1 for lane in lanes for line in lane.lines if line.held)
        + sum(1 for group in groups for each in group.windows if each.held),
    )


def _over_without_visit(window: DueWindow, with_visit: set[UUID | None]) -> bool:
    return window.state != WindowState.OPEN and window.pk not in with_visit


def _staff_rows(patients: QuerySet[Patient], service_date: date) -> list[VisitStaff]:
    return list(
        VisitStaff.objects.filter(
            visit__service_date=service_date, state__in=OCCUPIES, visit__patient__in=patients
        )
        .select_related("person", "visit__patient__identity", "visit__patient__unit", "visit__window__order")
        .order_by("start", "id")
    )


def _known(staff: Sequence[VisitStaff], free: Sequence[DueWindow], now: datetime) -> _Known:
    visits = {row.visit_id: row.visit for row in staff}.values()
    patients = {visit.patient_id: visit.patient for visit in visits}
    patients |= {window.patient_id: window.patient for window in free}
    asks = [
        (visit.patient_id, visit.window.technique, selectors.asked_at(visit.start, visit.end, now))
        for visit in visits
        if visit.window is not None
    ]
    asks += [
        (window.patient_id, window.technique, selectors.asked_at(window.earliest, window.latest, now))
        for window in free
    ]
    return _Known(
        who={row.patient.pk: row for row in in_list(list(patients.values()))},
        verdicts=screenings.guards_each(asks, purpose="schedule"),
        holds=resting(patients.keys()),
        ordered=changed_to(
            [visit.window.order for visit in visits if visit.window is not None]
            + [window.order for window in free]
        ),
        now=now,
    )


def _lanes(
    staff: Sequence[VisitStaff], shifts: Sequence[Shift], service_date: date, axis: Axis, known: _Known
) -> tuple[Lane, ...]:
    start, end = selectors.bounds_of(service_date)
    absences: dict[int, list[Absence]] = defaultdict(list)
    for absence in Absence.objects.filter(cancelled=False, start__lt=end, end__gt=start).order_by(
        "start", "id"
    ):
        absences[absence.person_id].append(absence)
    by_person: dict[int, list[VisitStaff]] = defaultdict(list)
    by_visit: dict[UUID, list[VisitStaff]] = defaultdict(list)
    for row in staff:
        by_person[row.person_id].append(row)
        by_visit[row.visit_id].append(row)
    shifts_of: dict[int, list[Shift]] = defaultdict(list)
    for shift in shifts:
        shifts_of[shift.person_id].append(shift)
    people = dict(selectors.active_therapists()) | {row.person_id: row.person for row in staff}
    shown = [person for key, person in people.items() if shifts_of[key] or by_person[key] or absences[key]]
    return tuple(
        _lane(person, by_person[person.pk], by_visit, shifts_of[person.pk], absences[person.pk], axis, known)
        for person in shown
    )


def _lane(  # noqa: PLR0917 - what one lane is drawn from, in the order in which it is looked up
    person: Person,
    rows: Sequence[VisitStaff],
    by_visit: Mapping[UUID, Sequence[VisitStaff]],
    shifts: Sequence[Shift],
    absences: Sequence[Absence],
    axis: Axis,
    known: _Known,
) -> Lane:
    lines = tuple(_line(row, by_visit[row.visit_id], known) for row in rows)
    return Lane(
        person=person,
        present=", ".join(formats.time_range(shift.start, shift.end) for shift in shifts),
        absent=", ".join(
            f"{absence.get_reason_display()} {formats.time_range(absence.start, absence.end)}"
            for absence in absences
        ),
        minutes=sum((row.end - row.start) // timedelta(minutes=1) for row in rows),
        shifts=tuple(_shift_bars(shifts, absences, axis)),
        bars=tuple(_visit_bar(line, axis) for line in lines),
        lines=lines,
    )


def _line(row: VisitStaff, together: Sequence[VisitStaff], known: _Known) -> VisitLine:
    visit, window = row.visit, row.visit.window
    waiting = visit.state == VisitState.SCHEDULED and window is not None
    return VisitLine(
        id=visit.pk,
        who=known.who[visit.patient_id],
        start=visit.start,
        end=visit.end,
        due=selectors.due_in_words(window) if window else "",
        technique=technique_words(window.technique) if window else "Visit without an order",
        dose=dose_in_short(known.ordered[window.order_id] if waiting else window.order) if window else "",
        state=visit.state,
        held=known.held(window.order, visit.start, visit.end) if waiting and window else "",
        ask_again=window.technique
        if waiting and window and known.ask_again(window.order, visit.start, visit.end)
        else "",
        with_others=", ".join(str(other.person) for other in together if other.person_id != row.person_id),
    )


def _visit_bar(line: VisitLine, axis: Axis) -> Bar:
    kind = "held" if line.held else line.state
    start = formats.time(line.start)
    width = round((line.end - line.start) / timedelta(minutes=1) * UNITS_PER_MINUTE, 1)
    wide = width >= WIDTH_OF_A_TIME
    return Bar(
        x=axis.at(line.start),
        width=width,
        kind=kind,
        label=start if wide else "",
        whose=_in_short(line.who) if wide else "",
        # What is seen in the bar comes first in what is read out (WCAG 2.2, 2.5.3).
        words=f"{start} {_in_short(line.who)}: {line.who.name}, {line.technique}, {line.state_words}",
        visit_id=line.id,
    )


def _in_short(who: PatientRow) -> str:
    """`MB 553` of MOSSWATER, Bryn, No. 204 118 553: initials and the last three figures of the number.

    A name is never cut short, and initials alone are shared by too many; the whole identity stands in the list.
    """
    initials = "".join(part.strip()[:1].upper() for part in who.name.split(",", 1))
    return f"{initials} {who.number.replace(' ', '')[-3:]}"


def _shift_bars(shifts: Sequence[Shift], absences: Sequence[Absence], axis: Axis) -> Iterable[Bar]:
    for shift in shifts:
        yield _span_bar(shift.start, shift.end, "present", axis)
        if shift.break_start and shift.break_end:
            yield _span_bar(shift.break_start, shift.break_end, "break", axis)
    for absence in absences:
        yield _span_bar(absence.start, absence.end, "absent", axis)


def _span_bar(start: datetime, end: datetime, kind: str, axis: Axis) -> Bar:
    left = min(max(axis.at(start), 0.0), axis.width)
    right = min(max(axis.at(end), 0.0), axis.width)
    return Bar(x=left, width=round(right - left, 1), kind=kind)


def _groups(free: Sequence[DueWindow], known: _Known) -> tuple[FreeGroup, ...]:
    rows = Assignment.objects.filter(
        patient__in={window.patient_id for window in free}, ended_at__isnull=True
    ).select_related("therapist")
    owner = {row.patient_id: row.therapist for row in rows}
    groups: dict[int | None, list[FreeWindow]] = defaultdict(list)
    people: dict[int | None, Person | None] = {}
    for window in free:
        therapist = owner.get(window.patient_id)
        key = therapist.pk if therapist else None
        people[key] = therapist
        groups[key].append(
            FreeWindow(
                id=window.pk,
                who=known.who[window.patient_id],
                due=selectors.due_in_words(window),
                technique=technique_words(window.technique),
                dose=dose_in_short(known.ordered[window.order_id]),
                minutes=window.minutes,
                held=known.held(window.order, window.earliest, window.latest),
            )
        )

    def place(key: int | None) -> tuple[bool, str, str, int]:
        person = people[key]
        # Patients nobody is assigned to come first: they are the easiest to forget.
        return (
            person is not None,
            *((person.family_name, person.given_name) if person else ("", "")),
            key or 0,
        )

    return tuple(
        FreeGroup(people[key], tuple(groups[key]), sum(1 for each in groups[key] if not each.held))
        for key in sorted(groups, key=place)
    )


def _axis(service_date: date, spans: Iterable[Shift | VisitStaff]) -> Axis:
    """From the first to the last full hour of anything on the board, 07:00 to 18:00 at least."""
    midnight, end = selectors.bounds_of(service_date)
    hour = timedelta(hours=1)
    first, last = midnight + FIRST_HOUR * hour, midnight + LAST_HOUR * hour
    for span in spans:
        first, last = min(first, span.start), max(last, min(span.end, end))
    start = midnight + (max(first, midnight) - midnight) // hour * hour
    count = -(-(last - start) // hour)
    hours = tuple(
        (round(each * 60 * UNITS_PER_MINUTE, 1), formats.time(timezone.localtime(start + each * hour)))
        for each in range(count)
    )
    return Axis(start=start, width=count * 60 * UNITS_PER_MINUTE, hours=hours)
