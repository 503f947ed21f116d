"""Writes due windows: made when an order starts, topped up each night, filled by treatments, closed by the job.

A window that has opened is never changed; one of an order that changed or stopped and has not opened yet is
cancelled with the reason. Each step is a compare-and-set, so that running it twice changes nothing.
"""

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from uuid import UUID

from django.db import transaction
from django.db.models import F, Max, Q
from django.utils import timezone

from clinic import records
from clinic.audit import services as audit
from clinic.calculation import NotCalculable
from clinic.formats import count
from clinic.models import Person, StandardMinutes, Unit
from clinic.patients.followers import PatientLeft
from clinic.patients.models import PatientState
from screening import selectors as screenings
from screening.holds import Guard
from therapy.orders import selectors as orders
from therapy.orders.followers import OrderEvent
from therapy.orders.models import Order, OrderHold
from therapy.scheduling.models import (
    DueWindow,
    ReasonGroup,
    ScheduledVisit,
    VisitStaff,
    VisitState,
    WindowState,
)
from therapy.scheduling.windows import Day, Hold, OrderTimes, Window, due_windows, is_held

DAYS_AHEAD = 14
# BTS/ACPRC 2009: 0.5 h for an uncomplicated treatment; used only where the clinic set no minutes of its own.
MINUTES_WITHOUT_STANDARD = 30
# The codes that only the closing job writes: a late record still counts for such a window.
LEFT_CASELOAD, ORDER_HOLD, GUARD_HOLD = "left_caseload", "order_hold", "guard_hold"
SCREENING_NOT_DONE, NOT_RECORDED = "screening_not_done", "not_recorded"
CLOSED_BY_JOB = (LEFT_CASELOAD, ORDER_HOLD, GUARD_HOLD, SCREENING_NOT_DONE, NOT_RECORDED)


logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Unfilled:
    """How a window closes that no treatment filled."""

    state: WindowState
    group: str
    code: str
    words: str = ""


def follow_order(event: OrderEvent) -> None:
    """Keep the windows of an order with what happened to it, in the same transaction.

    Raises: Refused where the order cannot be placed in the unit's day.
    """
    if event.what == "ended":
        cancel_future(order=event.order, by=event.by, at=event.at, reason=event.reason)
        return
    try:
        made = _make([event.order], event.at, strict=True)
    except NotCalculable as error:
        raise records.Refused("times_a_day", error.message) from error
    audit.record(
        action="windows made",
        by=event.by,
        subject=event.order,
        patient=event.order.patient_id,
        reason=count(made, "due window"),
    )


@transaction.atomic
def top_up_windows(now: datetime) -> int:
    """Make the windows of every order in force up to today + 14 days; returns how many were new.

    Goes on from each order's last date, so that a night that was missed is caught up by the next.
    """
    active = (
        orders.orders_in_force(now)
        .filter(patient__state=PatientState.ACTIVE)
        .select_related("patient__unit")
        .order_by("id")
    )
    made = _make(list(active), now, strict=False)
    if made:
        audit.record(action="windows made", by=None, reason=count(made, "due window"), source="job")
    return made


@transaction.atomic
def cancel_future(*, order: Order, by: Person, at: datetime, reason: str) -> int:
    """Cancel the windows of an order that have not opened yet, and the visits that would have filled them."""
    ids = list(
        DueWindow.objects.filter(order=order, state=WindowState.OPEN, earliest__gt=at).values_list(
            "pk", flat=True
        )
    )
    visits = list(
        ScheduledVisit.objects.filter(window__in=ids, state=VisitState.SCHEDULED).values_list("pk", flat=True)
    )
    VisitStaff.objects.filter(visit__in=visits, state=VisitState.SCHEDULED).update(state=VisitState.CANCELLED)
    ScheduledVisit.objects.filter(pk__in=visits).update(state=VisitState.CANCELLED, reason=reason[:300])
    done = DueWindow.objects.filter(pk__in=ids, state=WindowState.OPEN).update(
        state=WindowState.CANCELLED, reason="order_ended", reason_words=reason[:300], closed_at=at
    )
    if done:
        audit.record(
            action="windows cancelled", by=by, subject=order, patient=order.patient_id, reason=reason
        )
    return done


@transaction.atomic
def follow_patient(event: PatientLeft) -> None:
    """Put right what the job closed between a patient's leaving and its being recorded: away, not "not recorded"."""
    patient = event.patient
    done = DueWindow.objects.filter(
        patient=patient, state=WindowState.NOT_DELIVERED, reason__in=CLOSED_BY_JOB, latest__gt=event.at
    ).update(
        reason_group=ReasonGroup.AWAY, reason=LEFT_CASELOAD, reason_words=patient.get_state_display()[:300]
    )
    if done:
        audit.record(
            action="windows closed anew",
            by=event.by,
            subject=patient,
            patient=patient,
            reason=f"{LEFT_CASELOAD}: {count(done, 'due window')}",
        )


@transaction.atomic
def close_windows(now: datetime) -> int:
    """Close every window whose time is over without a treatment; returns how many this run closed.

    A window is over once its last start and the minutes of a treatment begun then have passed. On hold is said
    only where a person's hold, a condition or a wanting decision barred it; a screening that was not done is
    the service's; all else is "not recorded". A window that was open when its order was stopped is cancelled.
    """
    candidates = DueWindow.objects.filter(state=WindowState.OPEN, latest__lte=now)
    over = [
        window
        for window in candidates.select_related("order", "patient").order_by("latest", "id")
        if window.latest + timedelta(minutes=window.minutes) <= now
    ]
    holds = orders.holds_by_technique({window.patient_id for window in over})
    current = orders.changed_to(window.order for window in over)
    verdicts = screenings.guards_each(
        [(window.patient_id, window.technique, window.latest) for window in over], purpose="schedule"
    )
    closed = 0
    for window in over:
        verdict = verdicts[window.patient_id, window.technique, window.latest]
        of_this = holds.get((window.patient_id, window.technique), ())
        found = _why_unfilled(window, current[window.order_id], of_this, verdict)
        if records.move(
            DueWindow,
            window.pk,
            frm=(WindowState.OPEN,),
            to=found.state,
            reason_group=found.group,
            reason=found.code,
            reason_words=found.words[:300],
            closed_at=now,
        ):
            closed += 1
            audit.record(
                action="window closed",
                by=None,
                subject=window,
                patient=window.patient_id,
                reason=found.code,
                source="job",
            )
    return closed


@transaction.atomic
def fill(
    *,
    window: DueWindow,
    by: Person,
    state: str,
    at: datetime,
    reason_group: str = "",
    reason: str = "",
    reason_words: str = "",
) -> bool:
    """Let a recorded treatment fill a window: given in full, in part, or not given with its reason.

    Also a window that the job closed meanwhile: a late record counts for it. One that a record filled already
    stays as it is. Returns whether this call filled it.
    """
    by_job = Q(state=WindowState.NOT_DELIVERED, reason__in=CLOSED_BY_JOB)
    done = DueWindow.objects.filter(Q(state=WindowState.OPEN) | by_job, pk=window.pk).update(
        state=state,
        reason_group=reason_group,
        reason=reason[:40],
        reason_words=reason_words[:300],
        closed_at=at,
    )
    if done:
        audit.record(action="window filled", by=by, subject=window, patient=window.patient_id)
    return done == 1


@transaction.atomic
def release(*, window: DueWindow, by: Person, reason: str) -> bool:
    """Open a window again whose record was struck as entered in error; the job closes it if its time is over."""
    filled = (WindowState.FULL, WindowState.PART, WindowState.NOT_DELIVERED)
    done = records.move(
        DueWindow,
        window.pk,
        frm=filled,
        to=WindowState.OPEN,
        reason_group="",
        reason="",
        reason_words="",
        closed_at=None,
    )
    if done:
        audit.record(
            action="window released", by=by, subject=window, patient=window.patient_id, reason=reason
        )
    return done


def day_of(unit: Unit | None, times_a_day: int) -> Day:
    """A unit's day as the calculation takes it; the clock times set for just this many times a day, if any."""
    unit = unit or Unit()
    return Day(
        wake=unit.wakes_at,
        sleep=unit.sleeps_at,
        meals=(unit.breakfast_at, unit.midday_meal_at, unit.evening_meal_at),
        fixed_times=tuple(time.fromisoformat(each) for each in unit.fixed_times.get(str(times_a_day), [])),
    )


def times_of(order: Order, starts_at: datetime | None = None) -> OrderTimes:
    """What of an order decides when it is due."""
    start = starts_at or order.started_at
    ends = [each for each in (order.valid_until, order.ended_at) if each is not None]
    return OrderTimes(
        times_a_day=order.times_a_day or 0,
        starts_at=start,
        ends_at=max(start, min(ends)) if ends else None,
        minutes_after_meal=screenings.wait_after_meal(order.technique),
    )


def standard_minutes() -> dict[str, int]:
    """Minutes of a treatment by technique, as the clinic set them."""
    rows = StandardMinutes.objects.filter(kind=StandardMinutes.TECHNIQUE)
    return dict(rows.values_list("name", "minutes"))


def _make(rows: Sequence[Order], now: datetime, *, strict: bool) -> int:
    rows = [order for order in rows if order.times_a_day]
    last_dates = dict(
        DueWindow.objects.filter(order__in=rows)
        .order_by()
        .values("order")
        .annotate(last=Max("service_date"))
        .values_list("order", "last")
    )
    starts = _starts([order for order in rows if order.pk not in last_dates])
    minutes = standard_minutes()
    date_to = timezone.localdate(now) + timedelta(days=DAYS_AHEAD)
    new: list[DueWindow] = []
    for order in rows:
        last = last_dates.get(order.pk)
        date_from = last + timedelta(days=1) if last else timezone.localdate(order.started_at)
        try:
            windows = _windows(order, starts.get(order.pk), date_from, date_to)
        except NotCalculable:
            if strict:
                raise
            logger.exception("no due windows could be made for order %s", order.pk)
            continue
        new += [_row(order, each, minutes.get(order.technique, MINUTES_WITHOUT_STANDARD)) for each in windows]
    DueWindow.objects.bulk_create(new, ignore_conflicts=True, batch_size=500)
    return len(new)


def _windows(order: Order, starts_at: datetime | None, date_from: date, date_to: date) -> Sequence[Window]:
    if date_from > date_to:
        return ()
    return due_windows(
        times_of(order, starts_at),
        day_of(order.patient.unit, order.times_a_day or 0),
        time_zone=timezone.get_default_timezone_name(),
        date_from=date_from,
        date_to=date_to,
    )


def _starts(new: Sequence[Order]) -> dict[UUID, datetime]:
    """When a new order's first window may open: not while one of the order it took over from is still open."""
    starts = {order.pk: order.started_at for order in new}
    # One that was open when its order was stopped for good is cancelled by the job, so it stands in nobody's way.
    still_open = (
        DueWindow.objects.filter(
            patient__in={order.patient_id for order in new}, latest__gt=F("order__ended_at")
        )
        .exclude(state=WindowState.CANCELLED)
        .exclude(state=WindowState.OPEN, order__replaced_by__isnull=True)
    )
    for window in still_open.order_by("latest", "id"):
        for order in new:
            same = (window.patient_id, window.technique) == (order.patient_id, order.technique)
            if same and window.order_id != order.pk and window.earliest <= order.started_at:
                starts[order.pk] = max(starts[order.pk], window.latest)
    return starts


def _why_unfilled(window: DueWindow, order: Order, holds: Sequence[OrderHold], verdict: Guard) -> Unfilled:
    """Why nothing was recorded for a window; `order` is its order, or what that was changed to in the end."""
    patient = window.patient
    gone = patient.state in (PatientState.DISCHARGED, PatientState.DIED)
    if gone and patient.state_since < window.latest:
        return _not_given(ReasonGroup.AWAY, LEFT_CASELOAD, patient.get_state_display())
    if order.ended_at is not None and order.ended_at < window.latest:
        words = f"order stopped: {order.ended_reason}"
        return Unfilled(WindowState.CANCELLED, "", "order_ended", words)
    spells = [Hold(hold.started_at, hold.ended_at) for hold in holds]
    if is_held(window.earliest, window.latest, spells):
        words = "; ".join(
            hold.reason
            for hold in holds
            if hold.started_at < window.latest and (hold.ended_at is None or hold.ended_at > window.earliest)
        )
        return _not_given(ReasonGroup.CLINICAL, ORDER_HOLD, words)
    if verdict.held and verdict.clinical:
        return _not_given(ReasonGroup.CLINICAL, GUARD_HOLD, "; ".join(verdict.held_because))
    if verdict.held:
        return _not_given(ReasonGroup.SERVICE, SCREENING_NOT_DONE, "; ".join(verdict.held_because))
    return _not_given(ReasonGroup.NOT_RECORDED, NOT_RECORDED, "")


def _not_given(group: ReasonGroup, code: str, words: str) -> Unfilled:
    return Unfilled(WindowState.NOT_DELIVERED, group, code, words)


def _row(order: Order, window: Window, minutes: int) -> DueWindow:
    return DueWindow(
        order=order,
        patient_id=order.patient_id,
        technique=order.technique,
        service_date=window.service_date,
        ordinal=window.ordinal,
        earliest=window.earliest,
        latest=window.latest,
        minutes=minutes,
    )
