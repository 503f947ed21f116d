"""Writes the day schedule by hand: give, move, take back a visit, or give all of a therapist's patients in order.

The database itself refuses to have a therapist or a patient in two places at once; the refusal says who is
busy when.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic import formats, records
from clinic.access import require
from clinic.audit import services as audit
from clinic.models import Absence, AccessGrant, Competency, Person, Shift
from clinic.records import Refused
from clinic.staff.roles import Role
from screening import selectors as screenings
from therapy.orders import selectors as orders
from therapy.scheduling import selectors
from therapy.scheduling.in_order import Span, Wanted, free_time, place_in_order
from therapy.scheduling.models import OCCUPIES, DueWindow, ScheduledVisit, VisitStaff, VisitState, WindowState

# A visit may be prepared from a day before it, and its record written until a day after it.
GRANT_BEFORE = timedelta(hours=24)
GRANT_AFTER = timedelta(hours=24)
MOST_MINUTES = 240


@dataclass(frozen=True, slots=True)
class Given:
    """A visit, and what only warns: an untrained or unrostered therapist, an answer to ask again."""

    visit: ScheduledVisit
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A window that found no place, with the reason."""

    window: DueWindow
    reason: str


@dataclass(frozen=True, slots=True)
class GivenInOrder:
    """What came of giving a therapist all windows in order."""

    visits: tuple[ScheduledVisit, ...]
    left: tuple[LeftOut, ...]


@transaction.atomic
def give(
    *,
    by: Person,
    window: DueWindow,
    therapists: Sequence[Person],
    start: datetime,
    minutes: int | None = None,
) -> Given:
    """Give a due window to one or more therapists at a time.

    Raises: Refused when the guard, a hold, an absence or another visit stands in the way, or the time lies
        outside the window.
    """
    require(by, Role.LEAD)
    _check_window(window)
    _check_not_held(window, start)
    return _place(by, window, therapists, start, minutes or window.minutes)


@transaction.atomic
def give_in_order(
    *, by: Person, therapist: Person, patients_of: Person | None, service_date: date
) -> GivenInOrder:
    """Give a therapist, in order, all windows of the day that nobody has yet.

    Args:
        therapist: who gets them.
        patients_of: whose assigned patients they are: the therapist's own, a colleague's who is absent, or
            (None) those of patients assigned to nobody.
    """
    require(by, Role.LEAD)
    windows = selectors.free_windows_of(patients_of, service_date)
    left = []
    held = selectors.holds_of(windows)
    to_place = []
    for window in windows:
        if why := held.get(window.pk):
            left.append(LeftOut(window, why))
        else:
            to_place.append(window)
    now = timezone.now()
    taken = selectors.taken_spans(therapist, service_date)
    free = [
        Span(max(span.start, now), span.end)
        for span in free_time(selectors.present_spans(therapist, service_date), taken)
        if span.end > now
    ]
    apart = selectors.minutes_apart(to_place)
    placed, unplaced = place_in_order(
        [
            Wanted(each.pk, each.patient_id, each.earliest, each.latest, each.minutes, apart[each.pk])
            for each in to_place
        ],
        free,
        patients_taken=selectors.patients_taken({each.patient_id for each in to_place}, service_date),
    )
    by_id = {window.pk: window for window in to_place}
    visits = []
    for each in placed:
        window = by_id[each.id]
        visits.append(_place(by, window, [therapist], each.span.start, window.minutes).visit)
    reason = "no time left in the window" if free else "no time present on this day"
    left += [LeftOut(by_id[window_id], reason) for window_id in unplaced]
    return GivenInOrder(tuple(visits), tuple(left))


@transaction.atomic
def move(
    *, by: Person, visit: ScheduledVisit, therapists: Sequence[Person], start: datetime, reason: str = ""
) -> Given:
    """Give a visit another time or other therapists, as long as it has not begun."""
    require(by, Role.LEAD)
    window = visit.window
    if window is not None:
        _check_not_held(window, start)
        _check_time(window, start)
    end = start + (visit.end - visit.start)
    _check_present(therapists, start, end)
    warnings = _warnings(window, therapists, start, end)
    wanted = {person.pk: person for person in therapists}
    staff = list(VisitStaff.objects.filter(visit=visit, state=VisitState.SCHEDULED))
    try:
        with transaction.atomic():
            moved = ScheduledVisit.objects.filter(pk=visit.pk, state=VisitState.SCHEDULED).update(
                start=start, end=end
            )
            if not moved:
                raise Refused("visit", "This visit has begun, is done or was taken back.")
            for row in staff:
                if row.person_id in wanted:
                    VisitStaff.objects.filter(pk=row.pk).update(start=start, end=end)
                else:
                    records.move(VisitStaff, row.pk, frm=(VisitState.SCHEDULED,), to=VisitState.CANCELLED)
            for person_id in wanted.keys() - {row.person_id for row in staff}:
                VisitStaff.objects.create(visit=visit, person_id=person_id, start=start, end=end)
    except IntegrityError as error:
        raise _busy(visit.patient_id, therapists, start, end, except_visit=visit.pk) from error
    visit.refresh_from_db()
    _end_grants(visit, [row.person_id for row in staff])
    _grant(visit, therapists, by)
    audit.record(action="visit moved", by=by, subject=visit, patient=visit.patient_id, reason=reason)
    return Given(visit, warnings)


@transaction.atomic
def take_back(*, by: Person, visit: ScheduledVisit, reason: str) -> None:
    """Take a visit off the schedule; its window stays due and free."""
    require(by, Role.LEAD)
    if not reason.strip():
        raise Refused("reason", "Enter the reason.")
    taken = records.move(
        ScheduledVisit,
        visit.pk,
        frm=(VisitState.SCHEDULED,),
        to=VisitState.CANCELLED,
        reason=reason.strip()[:300],
    )
    if not taken:
        raise Refused("visit", "This visit has begun, is done or was taken back.")
    people = list(VisitStaff.objects.filter(visit=visit, state=VisitState.SCHEDULED))
    VisitStaff.objects.filter(pk__in=[row.pk for row in people]).update(state=VisitState.CANCELLED)
    _end_grants(visit, [row.person_id for row in people])
    audit.record(
        action="visit taken back", by=by, subject=visit, patient=visit.patient_id, reason=reason.strip()
    )


def _place(
    by: Person, window: DueWindow, therapists: Sequence[Person], start: datetime, minutes: int
) -> Given:
    if not therapists:
        raise Refused("therapist", "Choose the therapist.")
    if not 1 <= minutes <= MOST_MINUTES:
        raise Refused("minutes", f"Minutes must be between 1 and {MOST_MINUTES}.")
    _check_time(window, start)
    end = start + timedelta(minutes=minutes)
    _check_present(therapists, start, end)
    warnings = _warnings(window, therapists, start, end)
    try:
        with transaction.atomic():
            visit = ScheduledVisit.objects.create(
                patient_id=window.patient_id,
                window=window,
                service_date=window.service_date,
                start=start,
                end=end,
                by=by,
            )
            for person in therapists:
                VisitStaff.objects.create(visit=visit, person=person, start=start, end=end)
    except IntegrityError as error:
        raise _busy(window.patient_id, therapists, start, end, window=window) from error
    _grant(visit, therapists, by)
    audit.record(action="visit scheduled", by=by, subject=visit, patient=window.patient_id)
    return Given(visit, warnings)


def _check_window(window: DueWindow) -> None:
    if window.state != WindowState.OPEN:
        raise Refused("window", f"This treatment is no longer open: {window.get_state_display()}.")


def _check_time(window: DueWindow, start: datetime) -> None:
    if not window.earliest <= start <= window.latest:
        due = selectors.due_in_words(window)
        raise Refused("start", f"The time must lie within the due window: {due}.")


def _check_not_held(window: DueWindow, start: datetime) -> None:
    if why := orders.stopped([window.order]).get(window.order_id):
        raise Refused("window", f"{why}.")
    held = orders.resting({window.patient_id}).get((window.patient_id, window.technique))
    if held is not None:
        raise Refused("window", f"On hold: {held.reason}. {held.decides} decides.")
    verdict = screenings.guard(window.patient_id, window.technique, start, purpose="schedule")
    if verdict.held:
        raise Refused("window", f"On hold: {'; '.join(verdict.held_because)}.")


def _check_present(therapists: Sequence[Person], start: datetime, end: datetime) -> None:
    for person in therapists:
        if not person.is_active:
            raise Refused("therapist", f"{person} no longer works here.")
    away = (
        Absence.objects.filter(person__in=therapists, cancelled=False, start__lt=end, end__gt=start)
        .select_related("person")
        .order_by("start", "id")
        .first()
    )
    if away is not None:
        spell = formats.time_range(away.start, away.end)
        raise Refused("therapist", f"{away.person} is absent from {spell}: {away.get_reason_display()}.")


def _warnings(
    window: DueWindow | None, therapists: Sequence[Person], start: datetime, end: datetime
) -> tuple[str, ...]:
    rostered = set(
        Shift.objects.filter(
            person__in=therapists, state="planned", start__lte=start, end__gte=end
        ).values_list("person_id", flat=True)
    )
    warnings = [f"{person} has no shift at this time." for person in therapists if person.pk not in rostered]
    if window is None:
        return tuple(warnings)
    day = timezone.localdate(start)
    trained = set(
        Competency.objects.filter(person__in=therapists, technique=window.technique, valid_from__lte=day)
        .exclude(valid_until__lt=day)
        .values_list("person_id", flat=True)
    )
    words = orders.technique_words(window.technique)
    warnings += [
        f"No training in {words} is recorded for {person}."
        for person in therapists
        if person.pk not in trained
    ]
    return tuple(warnings)


def _busy(
    patient_id: UUID,
    therapists: Sequence[Person],
    start: datetime,
    end: datetime,
    *,
    window: DueWindow | None = None,
    except_visit: UUID | None = None,
) -> Refused:
    """Why the database refused: who is busy when, in words."""
    there = ScheduledVisit.objects.filter(state__in=OCCUPIES)
    if except_visit is not None:
        there = there.exclude(pk=except_visit)
    if window is not None and (other := there.filter(window=window).first()):
        return Refused("window", f"This treatment has a visit already, at {formats.time(other.start)}.")
    overlapping = there.filter(start__lt=end, end__gt=start).select_related("patient__identity")
    if own := overlapping.filter(patient=patient_id).first():
        return Refused("start", f"The patient has another visit, {formats.time_range(own.start, own.end)}.")
    row = (
        VisitStaff.objects.filter(person__in=therapists, state__in=OCCUPIES, start__lt=end, end__gt=start)
        .exclude(visit=except_visit)
        .select_related("person", "visit__patient__identity")
        .order_by("start", "id")
        .first()
    )
    if row is None:
        return Refused("start", "Somebody else changed the schedule just now: look again.")
    identity = row.visit.patient.identity
    name = formats.name(identity.family_name, identity.given_name)
    return Refused("start", f"{row.person} is with {name}, {formats.time_range(row.start, row.end)}.")


def _grant(visit: ScheduledVisit, therapists: Sequence[Person], by: Person) -> None:
    """Let the therapists open the patient's pages round the visit."""
    for person in therapists:
        AccessGrant.objects.create(
            person=person,
            patient_id=visit.patient_id,
            why="scheduled",
            from_at=max(timezone.now(), visit.start - GRANT_BEFORE),
            until_at=visit.end + GRANT_AFTER,
            reason=f"visit {visit.pk}",
            by=by,
        )


def _end_grants(visit: ScheduledVisit, people: Sequence[int]) -> None:
    """End what was granted for this visit alone."""
    AccessGrant.objects.filter(
        patient=visit.patient_id, person__in=people, why="scheduled", reason=f"visit {visit.pk}"
    ).update(until_at=timezone.now())
