"""Reads due windows and the day schedule: what is free, who is present, and the board of one day."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet
from django.shortcuts import get_object_or_404
from django.utils import timezone

from clinic import formats
from clinic.access import patients_visible_to
from clinic.assignments import selectors as assignments
from clinic.assignments.models import Assignment
from clinic.calendar import instant_of
from clinic.models import Absence, Person, Shift, StandardMinutes
from clinic.units.models import CareSetting
from clinic.units.selectors import standard_minutes
from screening import selectors as screenings
from therapy.orders import selectors as orders
from therapy.scheduling.in_order import Span
from therapy.scheduling.models import (
    OCCUPIES,
    DueWindow,
    ReasonGroup,
    ScheduledVisit,
    VisitStaff,
    VisitState,
    WindowState,
)


def visible_window(person: Person, window_id: object) -> DueWindow:
    """One window. Raises: Http404 where the person may not see it."""
    rows = DueWindow.objects.filter(patient__in=patients_visible_to(person))
    return get_object_or_404(rows.select_related("patient__identity", "patient__unit", "order"), pk=window_id)


def visible_visit(person: Person, visit_id: object) -> ScheduledVisit:
    """One visit. Raises: Http404 where the person may not see it."""
    rows = ScheduledVisit.objects.filter(patient__in=patients_visible_to(person))
    return get_object_or_404(
        rows.select_related("patient__identity", "patient__unit", "window__order").prefetch_related(
            "staff__person"
        ),
        pk=visit_id,
    )


def visit_of(window: DueWindow) -> ScheduledVisit | None:
    """The visit that is to fill a window, where there is one."""
    return ScheduledVisit.objects.filter(window=window, state__in=OCCUPIES).first()


def due_in_words(window: DueWindow) -> str:
    """When a treatment may begin: "12:00 to 14:30", past midnight "23:00 to 01:00 the next day"."""
    words = f"{formats.time(window.earliest)} to {formats.time(window.latest)}"
    if timezone.localdate(window.latest) == timezone.localdate(window.earliest):
        return words
    return f"{words} the next day"


def without_visit(windows: QuerySet[DueWindow]) -> QuerySet[DueWindow]:
    """Those windows that no visit is to fill."""
    taken = ScheduledVisit.objects.filter(window=OuterRef("pk"), state__in=OCCUPIES)
    return windows.exclude(Exists(taken))


def free_windows_of(assigned: Person | None, service_date: date) -> list[DueWindow]:
    """Open windows of a day without a visit, of the patients assigned to a therapist, or to nobody."""
    rows = DueWindow.objects.filter(service_date=service_date, state=WindowState.OPEN)
    in_force = Assignment.objects.filter(patient=OuterRef("patient"), ended_at__isnull=True)
    if assigned is None:
        rows = rows.exclude(Exists(in_force))
    else:
        rows = rows.filter(Exists(in_force.filter(therapist=assigned)))
    return _in_order_of_end(without_visit(rows))


def free_windows_to_treat(
    person: Person, service_date: date, *, at: datetime, there: Collection[int]
) -> list[DueWindow]:
    """Open windows of a day without a visit, of the patients whom this person is to treat: own or covered.

    Args:
        there: who is present, by id; see `clinic.assignments.selectors.treating`.
    """
    rows = DueWindow.objects.filter(
        service_date=service_date, state=WindowState.OPEN, patient__in=patients_visible_to(person)
    )
    windows = _in_order_of_end(without_visit(rows))
    treating = assignments.treating({window.patient_id for window in windows}, at=at, there=there)
    return [window for window in windows if treating.get(window.patient_id) == person.pk]


def never_recorded(to_visit: str = "", *, before: date) -> Q:
    """Visits of earlier days of which nobody said what became: begun, or not even that.

    One whose window the closing job closed as held, away or not screened is not among them: why is kept there.

    Args:
        to_visit: the way to the visit from the table that is asked, like `visit__`.
        before: the first date that is left out.
    """
    begun = Q(**{f"{to_visit}state": VisitState.BEGUN})
    scheduled = Q(**{f"{to_visit}state": VisitState.SCHEDULED})
    untold = (
        Q(**{f"{to_visit}window__isnull": True})
        | Q(**{f"{to_visit}window__state": WindowState.OPEN})
        | Q(**{f"{to_visit}window__reason_group": ReasonGroup.NOT_RECORDED})
    )
    return Q(**{f"{to_visit}service_date__lt": before}) & (begun | scheduled & untold)


def visits_never_recorded(person: Person, service_date: date) -> list[ScheduledVisit]:
    """Visits before a day, of the patients this person may see, that nobody recorded; the oldest first."""
    rows = ScheduledVisit.objects.filter(
        never_recorded(before=service_date), patient__in=patients_visible_to(person)
    )
    return list(
        rows.select_related("patient__identity", "patient__unit", "window")
        .prefetch_related(
            Prefetch("staff", VisitStaff.objects.filter(state__in=OCCUPIES).select_related("person"))
        )
        .order_by("start", "id")
    )


def _in_order_of_end(windows: QuerySet[DueWindow]) -> list[DueWindow]:
    loaded = windows.select_related("patient__identity", "patient__unit", "order")
    return list(loaded.order_by("latest", "id"))


def holds_of(windows: Sequence[DueWindow]) -> dict[UUID, str]:
    """Why a window may not be served as things stand: its order has ended, a person's hold, or the guard.

    Windows without a reason are left out.
    """
    now = timezone.now()
    ended = orders.stopped(window.order for window in windows)
    resting = orders.resting({window.patient_id for window in windows})
    asks = {
        window.pk: (window.patient_id, window.technique, asked_at(window.earliest, window.latest, now))
        for window in windows
    }
    verdicts = screenings.guards_each(asks.values(), purpose="schedule")
    held: dict[UUID, str] = {}
    for window in windows:
        verdict = verdicts[asks[window.pk]]
        if why := ended.get(window.order_id):
            held[window.pk] = why
        elif hold := resting.get((window.patient_id, window.technique)):
            held[window.pk] = f"{hold.reason}; {hold.decides} decides"
        elif verdict.held:
            who = f"; {verdict.who_decides} decides" if verdict.clinical else ""
            held[window.pk] = "; ".join(verdict.held_because) + who
    return held


def asked_at(start: datetime, end: datetime, now: datetime) -> datetime:
    """When to ask the guard about a span: now while it runs, so that what was found or decided since counts."""
    return min(max(start, now), end)


def present_spans(therapist: Person, service_date: date) -> list[Span]:
    """When a therapist has a shift on a day."""
    return [Span(shift.start, shift.end) for shift in shifts_on(service_date).filter(person=therapist)]


def taken_spans(therapist: Person, service_date: date) -> list[Span]:
    """When a therapist is not free on a day: breaks, absence, visits."""
    start, end = bounds_of(service_date)
    breaks = [
        Span(shift.break_start, shift.break_end)
        for shift in shifts_on(service_date).filter(person=therapist)
        if shift.break_start and shift.break_end
    ]
    absences = Absence.objects.filter(person=therapist, cancelled=False, start__lt=end, end__gt=start)
    visits = VisitStaff.objects.filter(person=therapist, state__in=OCCUPIES, start__lt=end, end__gt=start)
    away = [Span(row.start, row.end) for row in absences]
    return [*breaks, *away, *(Span(row.start, row.end) for row in visits)]


def patients_taken(patients: Iterable[UUID], service_date: date) -> dict[UUID, list[Span]]:
    """When patients have a visit already."""
    start, end = bounds_of(service_date)
    taken: dict[UUID, list[Span]] = defaultdict(list)
    rows = ScheduledVisit.objects.filter(
        patient__in=set(patients), state__in=OCCUPIES, start__lt=end, end__gt=start
    )
    for visit in rows:
        taken[visit.patient_id].append(Span(visit.start, visit.end))
    return taken


def minutes_apart(windows: Sequence[DueWindow]) -> dict[UUID, int]:
    """What lies between two visits of a therapist: set-up, notes, and at home the way there."""
    minutes = standard_minutes()

    def task(name: str) -> int:
        return minutes.get((StandardMinutes.TASK, name), 0)

    return {
        window.pk: task("set_up") + task("notes") + (task("travel") if _at_home(window) else 0)
        for window in windows
    }


def shifts_on(service_date: date) -> QuerySet[Shift]:
    """Shifts that touch a day of the schedule."""
    start, end = bounds_of(service_date)
    return Shift.objects.filter(state="planned", start__lt=end, end__gt=start).order_by("start", "id")


def bounds_of(service_date: date) -> tuple[datetime, datetime]:
    """The local day as instants, and five hours of the next for what runs past midnight."""
    zone = ZoneInfo(timezone.get_default_timezone_name())
    return (
        instant_of(service_date, time(0), zone),
        instant_of(service_date + timedelta(days=1), time(5), zone),
    )


def active_therapists() -> Mapping[int, Person]:
    """Everyone who treats, by id, in the order of names."""
    rows = Person.objects.filter(is_active=True, role__in=("lead", "therapist"))
    return {person.pk: person for person in rows.order_by("family_name", "given_name", "id")}


def _at_home(window: DueWindow) -> bool:
    unit = window.patient.unit
    return unit is not None and unit.care_setting == CareSetting.HOME
