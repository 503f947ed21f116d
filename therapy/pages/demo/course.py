"""What happened to each patient of the demo, day by day: screenings, orders, due windows, treatments."""

from datetime import datetime, time, timedelta

from clinic.models import Patient, Referral
from therapy.models import (
    DueWindow,
    IndependentSets,
    InhaledMedicine,
    Order,
    OrderSignature,
)
from therapy.orders.doses import counted_columns, starting_dose
from therapy.orders.services import RAN_OUT
from therapy.pages.demo.cases import Case, Prescription
from therapy.pages.demo.patients import received
from therapy.pages.demo.scene import Scene
from therapy.pages.demo.screenings import Screenings
from therapy.pages.demo.service import AHEAD_DAYS
from therapy.pages.demo.teller import Due, Teller, Told
from therapy.scheduling import windows as rule
from therapy.scheduling.models import WindowState

DIARY_DAYS = 28


def tell(scene: Scene, cases: list[Case], patients: dict[str, Patient]) -> Told:
    """Keep orders and windows of all cases, then what became of each window, in the order of time."""
    told = Told()
    due: list[Due] = []
    for case in cases:
        if case.prescriptions:
            told.screenings[case.key] = Screenings(scene.book, case, patients[case.key])
            told.orders[case.key] = _orders(scene, case, patients[case.key])
            for order in told.orders[case.key]:
                due.extend(_windows(scene, case, order))
            _diary_entries(scene, case, told.orders[case.key])
    due.sort(key=lambda each: (each.window.service_date, each.window.latest, str(each.window.id)))
    teller = Teller(scene, told)
    for each in due:
        teller.tell(each)
    _first_times(scene)
    return told


def _orders(scene: Scene, case: Case, patient: Patient) -> list[Order]:
    rows: list[Order] = []
    for prescription in case.prescriptions:
        row = _order(scene, case, prescription, patient)
        before = rows[-1] if rows else None
        if before and before.ended_at and not before.valid_until and before.technique == row.technique:
            row.replaces, row.started_at = before, before.ended_at
        rows.append(row)
    return rows


def _order(scene: Scene, case: Case, told: Prescription, patient: Patient) -> Order:
    clock = scene.clock
    dose = starting_dose(told.technique) | dict(told.dose)
    start = clock.at(told.since, "10:00") + timedelta(minutes=len(case.key))
    if told.since == 0:
        start = min(start, clock.now - timedelta(minutes=75))
    start = max(start, received(scene, case) + timedelta(minutes=140))
    stop = None if told.until is None else clock.at(told.until, "10:00") + timedelta(minutes=len(case.key))
    ran_out = clock.at(told.since, "18:00") if told.one_day else None
    if stop is None and ran_out and ran_out <= clock.now:
        stop, why_ended = max(ran_out, start), RAN_OUT
    else:
        why_ended = "discharged" if case.ended else "dose changed"
    author = scene.service.people[case.therapist] if told.source == "telephone" else scene.service.lead
    order = scene.book.add(
        Order(
            id=scene.book.new_id(start), patient=patient, technique=told.technique, dose=dose,
            times_a_day=told.times_a_day, independent_sets_a_day=told.independent_sets_a_day, source=told.source,
            prescriber=told.prescriber, read_back=told.source == "telephone",
            needs_signature=told.source == "telephone",
            change_reason=told.why, by=author, started_at=start, created_at=start, ended_at=stop,
            ended_by=scene.service.lead if stop else None,
            valid_until=ran_out, ended_reason=why_ended if stop else "",
            **counted_columns(told.technique, dose),
        )
    )  # fmt: skip
    if order.needs_signature:
        scene.book.add(OrderSignature(order=order, by=scene.service.lead, at=start + timedelta(hours=5)))
    for position, (kind, timing, lead) in enumerate(told.medicines, start=1):
        scene.book.add(
            InhaledMedicine(order=order, position=position, kind=kind, timing=timing, lead_minutes=lead)
        )
    return order


def _windows(scene: Scene, case: Case, order: Order) -> list[Due]:
    unit = scene.service.units[case.unit]
    fixed = unit.fixed_times.get(str(order.times_a_day), [])
    day = rule.Day(
        wake=unit.wakes_at, sleep=unit.sleeps_at, fixed_times=tuple(_wall_time(each) for each in fixed)
    )
    first = order.started_at.astimezone(scene.clock.zone).date()
    made_until = (order.ended_at or scene.clock.now).astimezone(scene.clock.zone).date() + timedelta(
        days=AHEAD_DAYS
    )
    if order.valid_until:
        made_until = first
    due = []
    for one in rule.due_windows(
        rule.OrderTimes(order.times_a_day or 1, _first_opening(scene, order), order.valid_until), day,
        time_zone=scene.clock.zone.key, date_from=first, date_to=made_until,
    ):  # fmt: skip
        window = scene.book.add(
            DueWindow(
                id=scene.book.new_id(order.started_at), order=order, patient=order.patient, technique=order.technique,
                service_date=one.service_date, ordinal=one.ordinal, earliest=one.earliest, latest=one.latest,
                minutes=scene.service.minutes(order.technique),
            )
        )  # fmt: skip
        if order.ended_at and one.earliest >= order.ended_at:
            window.state, window.closed_at = WindowState.CANCELLED, order.ended_at
            window.reason_words = order.ended_reason
        elif one.earliest < scene.clock.told_until or one.service_date == scene.clock.today:
            due.append(Due(case, order, window, (one.service_date - first).days))
    return due


def _first_opening(scene: Scene, order: Order) -> datetime:
    """An order that took over opens its first window once the one before has no window open any more."""
    if order.replaces is None:
        return order.started_at
    before = [
        row.latest
        for row in scene.book.of(DueWindow)
        if row.order is order.replaces and row.state != WindowState.CANCELLED
    ]
    return max([order.started_at, *before])


def _wall_time(text: str) -> time:
    return time.fromisoformat(text)


def _diary_entries(scene: Scene, case: Case, orders: list[Order]) -> None:
    for order in orders:
        if not order.independent_sets_a_day:
            continue
        last = (order.ended_at or scene.clock.now).astimezone(scene.clock.zone).date()
        first = max(
            order.started_at.astimezone(scene.clock.zone).date() + timedelta(days=1),
            scene.clock.day(DIARY_DAYS),
        )
        for offset in range((last - first).days):
            if scene.book.chance.random() < 0.2:
                continue
            day = first + timedelta(days=offset)
            at = scene.clock.on(day + timedelta(days=1), scene.service.units[case.unit].breakfast_at)
            done = max(0, order.independent_sets_a_day + scene.book.chance.choice([-1, 0, 0, 0, 1]))
            scene.book.add(
                IndependentSets(
                    id=scene.book.new_id(at), patient=order.patient, order=order, service_date=day, sets_done=done,
                    sets_ordered=order.independent_sets_a_day, reported_by="patient", created_at=at,
                    by=scene.service.people[case.therapist],
                )
            )  # fmt: skip


def _first_times(scene: Scene) -> None:
    """First seen at the first screening, first treated at the first treatment given."""
    from screening.models import Screening
    from therapy.models import TreatmentSession

    seen: dict[object, datetime] = {}
    treated: dict[object, datetime] = {}
    for screening in scene.book.of(Screening):
        seen[screening.patient_id] = min(
            seen.get(screening.patient_id, screening.started_at), screening.started_at
        )
    for row in scene.book.of(TreatmentSession):
        if row.delivered != "not_delivered":
            treated[row.patient_id] = min(treated.get(row.patient_id, row.started_at), row.started_at)
    for referral in scene.book.of(Referral):
        referral.first_seen_at = seen.get(referral.patient_id)
        referral.first_treated_at = treated.get(referral.patient_id)
