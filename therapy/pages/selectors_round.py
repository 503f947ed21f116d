"""What a therapist's home page shows: the next patient, the rest of the round, and what waits beside it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import Q
from django.utils import timezone

from clinic import formats
from clinic.access import patients_visible_to
from clinic.assignments.services import HANDOVER
from clinic.attention import selectors as attention
from clinic.measurements.models import Measurement
from clinic.models import IsolationNote, Notice, Patient, Person
from clinic.patients import selectors as patients
from clinic.patients.models import Isolation
from clinic.patients.selectors import PatientRow
from clinic.staff import selectors as staff
from clinic.staff.selectors import Presence
from screening.models import Answer, AnswerKind
from screening.table import current as rule_table
from therapy.orders.models import Order
from therapy.orders.selectors import changed_to, dose_in_short, technique_words
from therapy.pages.holds import OnHold, on_hold
from therapy.pages.minutes import absence_words
from therapy.pages.selectors_lead import DueReassessment, due_reassessments
from therapy.scheduling import selectors as scheduling
from therapy.scheduling.models import DueWindow, ScheduledVisit, VisitStaff, VisitState
from therapy.sessions.models import TreatmentSession


@dataclass(frozen=True)
class Stop:
    """One patient of the round: when due, which treatment, and why not where it is on hold."""

    who: PatientRow
    visit: ScheduledVisit | None
    window: DueWindow | None
    technique: str
    dose: str
    held: str
    under_way: bool
    earlier: date | None = None
    """The day, where it is not today."""

    @property
    def due_words(self) -> str:
        """`09:45 to 10:45`: the due window, else the visit's time; of an earlier day with its date."""
        if self.window is not None:
            words = formats.time_range(self.window.earliest, self.window.latest)
        elif self.visit is not None:
            words = formats.time_range(self.visit.start, self.visit.end)
        else:
            return formats.NOT_RECORDED
        named = self.earlier is None or words.startswith(formats.date(self.earlier))
        return words if named else f"{formats.date(self.earlier)}, {words}"

    @property
    def minutes(self) -> int:
        if self.window is not None:
            return self.window.minutes
        return (self.visit.end - self.visit.start) // timedelta(minutes=1) if self.visit else 0


@dataclass(frozen=True)
class RoundHome:
    """The whole page."""

    next: Stop | None
    changed: list[str]
    rest: list[Stop]
    without_time: list[Stop]
    holds: list[OnHold]
    notes: list[Notice]
    note_lines: list[tuple[Notice, PatientRow | None]]
    overdue: list[DueReassessment]
    due_today: list[DueReassessment]
    unfinished: list[Stop]
    absent: str
    updated_at: datetime

    @property
    def minutes_to_go(self) -> int:
        """Minutes of the treatments that are left, the next one too."""
        stops = [*self.rest, *self.without_time, *([self.next] if self.next else [])]
        return sum(stop.minutes for stop in stops if not stop.held)


def round_home(person: Person, now: datetime) -> RoundHome:
    """Everything on the page, in a number of queries that does not grow with the round."""
    day = timezone.localdate(now)
    visits = _visits(person, day)
    present = {one.person.pk: one for one in staff.presence(day, staff.therapists(with_lead=True))}
    absent = _absent(present.get(person.pk), now)
    there = {key for key, one in present.items() if one.minutes_from(now)}
    # Whoever looks at the round is at work, rostered or not, unless marked absent.
    there = there if absent else there | {person.pk}
    free = scheduling.free_windows_to_treat(person, day, at=now, there=there)
    ahead = [visit for visit in visits if visit.state == VisitState.SCHEDULED and visit.end > now - _LATE]
    held = scheduling.holds_of([visit.window for visit in ahead if visit.window is not None] + free)
    windows = [visit.window for visit in visits if visit.window is not None] + free
    ordered = changed_to(window.order for window in windows)
    who = _who([visit.patient for visit in visits] + [window.patient for window in free])
    stops = [_stop(who[visit.patient_id], visit, visit.window, held, ordered) for visit in ahead]
    under_way = [visit for visit in visits if visit not in ahead]
    going = next((stop for stop in stops if not stop.held), None)
    due = due_reassessments(person, now)
    notes = list(attention.unread_notices(person).filter(kind=HANDOVER)[:20])
    note_rows = _who([note.patient for note in notes if note.patient is not None])
    return RoundHome(
        next=going,
        changed=changed_since(going.who.patient, person, now) if going else [],
        rest=[stop for stop in stops if stop is not going],
        without_time=[_stop(who[window.patient_id], None, window, held, ordered) for window in free],
        holds=on_hold(person, now),
        notes=notes,
        note_lines=[(note, note_rows.get(note.patient_id)) for note in notes],
        overdue=[one for one in due if one.over is not None],
        due_today=[one for one in due if one.over is None],
        unfinished=[
            _stop(who[visit.patient_id], visit, visit.window, {}, ordered, today=day) for visit in under_way
        ],
        absent=absent,
        updated_at=now,
    )


def _absent(presence: Presence | None, now: datetime) -> str:
    """`Off sick since 07:10`, where this person is marked absent now."""
    absence = presence.absence if presence else None
    return absence_words(absence).capitalize() if absence and absence.start <= now < absence.end else ""


# A visit that should have ended this long ago and has no record is an unfinished note, no longer the next patient.
_LATE = timedelta(minutes=60)


def changed_since(patient: Patient, person: Person, now: datetime) -> list[str]:
    """What changed since this person last treated the patient; since yesterday where that never was."""
    last = (
        TreatmentSession.objects.filter(
            Q(staff__person=person) | Q(recorded_by=person), patient=patient, entered_in_error=False
        )
        .order_by("-started_at", "-id")
        .values_list("started_at", flat=True)
        .first()
    )
    since = last or now - timedelta(days=1)
    return [*_orders_since(patient, since), *_oxygen_since(patient, since), *_findings_since(patient, since),
            *_isolation_since(patient, since)]  # fmt: skip


def _orders_since(patient: Patient, since: datetime) -> Iterable[str]:
    rows = Order.objects.filter(patient=patient, draft=False, started_at__gt=since, ended_at__isnull=True)
    # What replaced a draft was never in force before.
    earlier = set(Order.objects.filter(patient=patient, draft=False).values_list("pk", flat=True))
    for order in rows.order_by("started_at", "id"):
        what = "changed" if order.replaces_id in earlier else "new"
        why = f": {order.change_reason}" if order.change_reason else ""
        yield f"{technique_words(order.technique)} {what} at {_when(order.started_at)}{why}."


def _oxygen_since(patient: Patient, since: datetime) -> Iterable[str]:
    """The oxygen of the newest saturation against that of the last one before."""
    rows = list(
        Measurement.objects.filter(patient=patient, kind="spo2_percent", entered_in_error=False)
        .exclude(oxygen_device="")
        .order_by("-measured_at", "-id")[:12]
    )
    before = next((row for row in rows if row.measured_at <= since), None)
    if not rows or before is None or rows[0].measured_at <= since:
        return
    was, now_given = _oxygen_words(before), _oxygen_words(rows[0])
    if was != now_given:
        yield f"Oxygen now {now_given}, was {was}, at {_when(rows[0].measured_at)}."


def _oxygen_words(row: Measurement) -> str:
    device = row.get_oxygen_device_display()
    if row.oxygen_flow_ml_per_min is not None:
        return f"{formats.number(row.oxygen_flow_ml_per_min, scale=3)} L/min by {device}"
    return f"{row.fio2_percent} % by {device}" if row.fio2_percent is not None else str(device)


def _findings_since(patient: Patient, since: datetime) -> Iterable[str]:
    """Conditions answered yes for the first time since then."""
    table = rule_table()
    yes = {"screening__patient": patient, "kind": AnswerKind.YES}
    before = set(Answer.objects.filter(answered_at__lte=since, **yes).values_list("condition", flat=True))
    new = Answer.objects.filter(answered_at__gt=since, screening__ended_at__isnull=True, **yes)
    for answer in new.exclude(condition__in=before).order_by("answered_at", "id"):
        if answer.condition in table.conditions:
            yield f"{table.words(answer.condition)} found at {_when(answer.answered_at)}."


def _isolation_since(patient: Patient, since: datetime) -> Iterable[str]:
    notes = IsolationNote.objects.filter(patient=patient, ended_at__isnull=True, started_at__gt=since)
    for note in notes.exclude(kind=Isolation.STANDARD):
        yield f"{patients.isolation_words(note)}, since {_when(note.started_at)}."


def _when(at: datetime) -> str:
    return formats.time(at) if timezone.localdate(at) == timezone.localdate() else formats.date_time(at)


def _visits(person: Person, day: date) -> list[ScheduledVisit]:
    """Visits of the day that are not recorded, and those of any earlier day of which nobody said what became."""
    rows = (
        VisitStaff.objects.filter(
            Q(visit__service_date=day) | scheduling.never_recorded("visit__", before=day),
            # Whoever was taken off a visit has nothing to record.
            state__in=(VisitState.SCHEDULED, VisitState.BEGUN),
            person=person,
            visit__patient__in=patients_visible_to(person),
        )
        .select_related("visit__patient__identity", "visit__patient__unit", "visit__window__order")
        .order_by("start", "id")
    )
    return [row.visit for row in rows]


def _stop(
    who: PatientRow,
    visit: ScheduledVisit | None,
    window: DueWindow | None,
    held: Mapping[UUID, str],
    ordered: Mapping[UUID, Order],
    *,
    today: date | None = None,
) -> Stop:
    return Stop(
        who=who,
        visit=visit,
        window=window,
        technique=technique_words(window.technique) if window else "Visit without an order",
        dose=dose_in_short(ordered[window.order_id]) if window else "",
        held=held.get(window.pk, "") if window else "",
        under_way=visit is not None and visit.state == VisitState.BEGUN,
        earlier=visit.service_date if visit and today and visit.service_date < today else None,
    )


def _who(of: Iterable[Patient]) -> dict[object, PatientRow]:
    distinct = {one.pk: one for one in of}
    return {row.patient.pk: row for row in patients.in_list(list(distinct.values()))}
