"""Writes which treatment fills which due window, and what becomes of the visit that was scheduled for it."""

from collections.abc import Collection, Iterable
from datetime import date
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from clinic import records
from clinic.audit import services as audit
from clinic.models import Person
from therapy.orders.models import Order
from therapy.orders.selectors import line_of, stopped
from therapy.scheduling import window_services
from therapy.scheduling.models import DueWindow, ScheduledVisit, VisitStaff, VisitState, WindowState
from therapy.sessions.matching import Treatment, Window, match
from therapy.sessions.models import Delivered, TreatmentSession

NOT_CANCELLED = (WindowState.OPEN, WindowState.FULL, WindowState.PART, WindowState.NOT_DELIVERED)
_REASON = ("reason", "reason_group", "reason_words")


def window_filled_by(treatment: TreatmentSession) -> DueWindow | None:
    """The window that a treatment which is about to be stored fills, by the one rule of matching; None: an extra."""
    if treatment.order is None:
        return None
    line = line_of(treatment.order)
    windows = _windows(line, {treatment.service_date})
    rows = [*_treatments(line, windows), treatment]
    filled = _matched(windows, rows)[treatment.pk]
    return next((each for each in windows if each.pk == filled), None)


def settle_windows(
    order: Order, service_dates: Collection[date], *, by: Person, reopened: Collection[UUID] = ()
) -> None:
    """Bring the windows of these days into the state that the recorded treatments give them.

    Args:
        order: windows and treatments of what it was changed from and to belong to the same care.
        reopened: windows whose treatment was withdrawn: without another one they are open again, and the closing
            job looks at them anew. A window that no treatment ever filled keeps the state it was closed with.
    """
    line = line_of(order)
    windows = _windows(line, service_dates)
    rows = {row.pk: row for row in _treatments(line, windows)}
    fillers = {window: rows[row] for row, window in _matched(windows, rows.values()).items() if window}
    for window in windows:
        filler = fillers.get(window.pk)
        if filler is not None:
            _move_window(window, filler, by)
        elif window.pk in reopened or window.state in (WindowState.FULL, WindowState.PART):
            window_services.release(window=window, by=by, reason="its treatment was withdrawn")


def settle_visit(treatment: TreatmentSession, *, by: Person) -> None:
    """Mark the scheduled visit of a treatment as done, or cancel it with the reason where nothing was given."""
    given = treatment.delivered != Delivered.NOT_DELIVERED
    to = VisitState.DONE if given else VisitState.CANCELLED
    reason = "" if given else _cancelled_by(treatment)
    for visit in _visits(treatment, (VisitState.SCHEDULED, VisitState.BEGUN)):
        _move_visit(visit, to, by, reason)
    if given:
        _given_after_all(treatment, by)


def _given_after_all(treatment: TreatmentSession, by: Person) -> None:
    """A visit that an earlier "not given" of the same window cancelled was made in the end; where its time is taken
    by another one it stays cancelled, and the treatment itself says who was there."""
    refusals = [
        _cancelled_by(row) for row in _records_of(treatment) if row.delivered == Delivered.NOT_DELIVERED
    ]
    for visit in _visits(treatment, (VisitState.CANCELLED,)):
        if visit.reason in refusals and _places(visit).exists():
            try:
                with transaction.atomic():
                    _move_visit(visit, VisitState.DONE, by, "")
            except IntegrityError:
                continue


def reopen_visit(treatment: TreatmentSession, *, by: Person) -> list[ScheduledVisit]:
    """A visit whose only record was withdrawn is scheduled again, whether it was done or cancelled by that record.

    One that is left with a record that nothing was given is cancelled again by that.
    Returns: the cancelled visits that cannot come back, as another visit has taken their time; they stay cancelled.
    """
    for visit in _visits(treatment, (VisitState.DONE,)):
        rest = list(_others_of(visit, treatment).order_by("-recorded_at", "-id"))
        if not rest:
            _move_visit(visit, VisitState.SCHEDULED, by, "")
        elif all(row.delivered == Delivered.NOT_DELIVERED for row in rest):
            _move_visit(visit, VisitState.CANCELLED, by, _cancelled_by(rest[0]))
    taken = []
    for visit in _visits(treatment, (VisitState.CANCELLED,)):
        ours = visit.reason == _cancelled_by(treatment)
        if not ours or not _still_ordered(visit) or _recorded_otherwise(visit, treatment):
            continue
        if not _places(visit).exists():
            # Cancelled before its places kept the reason: nobody is known who would make it.
            taken.append(visit)
            continue
        try:
            with transaction.atomic():
                _move_visit(visit, VisitState.SCHEDULED, by, "")
        except IntegrityError:
            taken.append(visit)
    return taken


def begin_visit(visit: ScheduledVisit, *, by: Person) -> bool:
    """Mark a scheduled visit as under way. Returns False where it was no longer scheduled."""
    if visit.state != VisitState.SCHEDULED:
        return False
    _move_visit(visit, VisitState.BEGUN, by, "")
    return True


def _cancelled_by(treatment: TreatmentSession) -> str:
    """The reason that a visit carries which this "not given" cancelled."""
    return f"not given: {treatment.reason}"


def _recorded_otherwise(visit: ScheduledVisit, treatment: TreatmentSession) -> bool:
    return _others_of(visit, treatment).exists()


def _others_of(visit: ScheduledVisit, treatment: TreatmentSession) -> QuerySet[TreatmentSession]:
    """The other records of a visit and its window."""
    others = Q(visit=visit) | Q(window=visit.window_id) if visit.window_id else Q(visit=visit)
    return TreatmentSession.objects.filter(others, entered_in_error=False).exclude(pk=treatment.pk)


def _records_of(treatment: TreatmentSession) -> QuerySet[TreatmentSession]:
    """The other records of the visit that a treatment names and of the window it fills."""
    same = Q(visit=treatment.visit_id) if treatment.visit_id else Q(pk__in=())
    if treatment.window_id:
        same |= Q(window=treatment.window_id)
    return TreatmentSession.objects.filter(same, entered_in_error=False).exclude(pk=treatment.pk)


def _still_ordered(visit: ScheduledVisit) -> bool:
    """Whether the order behind a visit has not ended meanwhile: its visits were taken off the schedule then."""
    return visit.window is None or not stopped([visit.window.order])


def _windows(line: Collection[Order], service_dates: Collection[date]) -> list[DueWindow]:
    return list(
        DueWindow.objects.filter(order__in=line, service_date__in=service_dates, state__in=NOT_CANCELLED)
        .select_for_update()
        .order_by("earliest", "id")
    )


def _treatments(line: Collection[Order], windows: Iterable[DueWindow]) -> list[TreatmentSession]:
    windows = list(windows)
    of_these = Q(window__in=windows) | Q(service_date__in={each.service_date for each in windows})
    return list(TreatmentSession.objects.filter(of_these, order__in=line, entered_in_error=False))


def _matched(windows: Iterable[DueWindow], treatments: Iterable[TreatmentSession]) -> dict[UUID, UUID | None]:
    """Of the windows and treatments of one care."""
    care = "the same"
    found: dict[Any, Any] = match(
        [Window(each.pk, care, each.service_date, each.earliest, each.latest) for each in windows],
        [
            Treatment(each.pk, care, each.service_date, each.started_at, each.delivered, each.window_id)
            for each in treatments
        ],
    )
    return found


def _move_window(window: DueWindow, filler: TreatmentSession, by: Person) -> None:
    in_full = filler.delivered == Delivered.FULL
    reason = {name: "" if in_full else getattr(filler, name) for name in _REASON}
    if window.state == filler.delivered and all(getattr(window, n) == value for n, value in reason.items()):
        return
    if window.state != WindowState.OPEN and window.reason not in window_services.CLOSED_BY_JOB:
        window_services.release(window=window, by=by, reason="another treatment fills it")
    at = filler.ended_at or filler.started_at
    window_services.fill(window=window, by=by, state=filler.delivered, at=at, **reason)


def _visits(treatment: TreatmentSession, states: tuple[str, ...]) -> list[ScheduledVisit]:
    named = Q(pk=treatment.visit_id) if treatment.visit_id else Q(pk__in=())
    of_window = Q(window=treatment.window_id) if treatment.window_id else Q(pk__in=())
    return list(ScheduledVisit.objects.filter(named | of_window, state__in=states).order_by("start", "id"))


def _places(visit: ScheduledVisit) -> QuerySet[VisitStaff]:
    """Who makes a visit, or made it until it was cancelled; whoever was taken off before carries no reason."""
    if visit.state == VisitState.CANCELLED:
        return visit.staff.filter(state=VisitState.CANCELLED, reason=visit.reason)
    return visit.staff.exclude(state=VisitState.CANCELLED)


def _move_visit(visit: ScheduledVisit, to: VisitState, by: Person, reason: str) -> None:
    if not records.move(ScheduledVisit, visit.pk, frm=(visit.state,), to=to, reason=reason[:300]):
        return
    for place in _places(visit):
        records.move(VisitStaff, place.pk, frm=(place.state,), to=to, reason=reason[:300])
    audit.record(
        action="visit_moved",
        by=by,
        subject=visit,
        patient=visit.patient_id,
        reason=f"{visit.state} to {to.value}",
    )
