"""The patient page: what holds, what is ordered and due, what was given, and what it did, in constant queries."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.urls import NoReverseMatch, reverse
from django.utils import timezone

from clinic import formats
from clinic.assignments.models import Assignment
from clinic.attention import selectors as attention
from clinic.attention.models import Flag
from clinic.limits import selectors as limits
from clinic.limits.rules import Watch
from clinic.models import GoalOfCare, IsolationNote, Patient, Person
from clinic.patients import selectors as patients
from clinic.patients.models import SpO2Target
from screening import selectors as screenings
from screening import words as screening_words
from screening.holds import Guard
from screening.models import Screening
from screening.numbers import selectors as numbers
from screening.numbers.selectors import VitalSigns
from therapy.orders import selectors as orders
from therapy.orders.models import Order, OrderHold
from therapy.outcomes import patient_page as outcomes
from therapy.outcomes.rules import IndependentSets, independent_sets
from therapy.scheduling.models import OCCUPIES, DueWindow, ScheduledVisit, WindowState
from therapy.sessions import record_page
from therapy.sessions.selectors import independent_sets_of, treatments_of, with_staff

LAST_TREATMENTS = 8
DIARY_DAYS = 28

# What can be done from here: words, the URL name, whether the patient's id is its argument. A part that is not
# there yet has no link.
LINKS = (
    ("Screening", "screening"),
    ("Orders", "patient-orders"),
    ("All treatments", "treatments"),
    ("Independent sets", "independent-sets"),
    ("Reassess", "reassessment-new"),
    ("Hand-over note", "handover"),
    ("Details", "patient-record"),
)


@dataclass(frozen=True)
class OrderLine:
    """One order in force: the dose in short, and what holds it."""

    order: Order
    technique: str
    dose: str
    verdict: Guard
    hold: OrderHold | None

    @property
    def held(self) -> list[str]:
        """Why it is on hold, the person's reason first."""
        person = [self.hold.reason] if self.hold is not None else []
        return [*person, *(self.verdict.held_because if self.verdict.held else ())]

    @property
    def decides(self) -> str:
        """Who must decide, by when."""
        who = self.hold.decides if self.hold is not None else self.verdict.who_decides
        by = self.hold.decide_by if self.hold is not None else self.verdict.decide_by
        if not who:
            return "Whoever treats the patient: screen again."
        return f"{who} decides{f' by {formats.date_time(by)}' if by else ''}."


@dataclass(frozen=True)
class DueLine:
    """One window of today, with its visit where there is one."""

    window: DueWindow
    technique: str
    due: str
    visit: str
    open: bool


@dataclass(frozen=True)
class PatientPage:
    """Everything on the page but the banner."""

    orders: list[OrderLine]
    due: list[DueLine]
    rows: list[dict[str, Any]]
    screening: Screening | None
    results: list[tuple[str, str]]
    assigned: Assignment | None
    isolation: IsolationNote | None
    goal: GoalOfCare | None
    target: SpO2Target | None
    watch: Watch
    signs: VitalSigns | None
    flags: list[Flag]
    diary: IndependentSets | None
    diary_words: str
    links: list[tuple[str, str]]


def of(person: Person, patient: Patient, now: datetime) -> PatientPage:
    """Read the page of one patient as of now."""
    in_force = orders.orders_of(patient, now)
    verdicts = screenings.guards([(patient.pk, each.technique) for each in in_force], now, purpose="display")
    lines = [_order_line(each, verdicts[patient.pk, each.technique]) for each in in_force]
    screening = Screening.objects.filter(patient=patient, ended_at__isnull=True).select_related("by").first()
    diary = _diary(patient, timezone.localtime(now).date())
    target = patients.spo2_target(patient)
    return PatientPage(
        orders=lines,
        due=_due_today(patient, timezone.localtime(now).date()),
        rows=record_page.in_rows(with_staff(treatments_of(patient))[:LAST_TREATMENTS]),
        screening=screening,
        results=[(line.technique, _result_words(line.verdict)) for line in lines],
        assigned=Assignment.objects.filter(patient=patient, ended_at__isnull=True)
        .select_related("therapist")
        .first(),
        isolation=patients.isolation(patient),
        goal=patients.goal_of_care(patient),
        target=target,
        signs=next(iter(numbers.vital_signs(patient, most=1)), None),
        watch=limits.watch_by(patient, target, limits.stop_limits(patient)),
        flags=list(attention.open_flags_of(person, patient.pk, now=now)),
        diary=diary,
        diary_words=_diary_words(diary),
        links=_links(patient),
    )


def outcomes_of(patient: Patient, now: datetime) -> dict[str, Any]:
    """The section of outcomes, for its own template."""
    return outcomes.context(patient, now=now)


def _order_line(order: Order, verdict: Guard) -> OrderLine:
    held = [hold for hold in order.holds.all() if hold.ended_at is None]
    return OrderLine(
        order=order,
        technique=orders.technique_words(order.technique),
        dose=orders.dose_in_short(order),
        verdict=verdict,
        hold=held[0] if held else None,
    )


def _result_words(verdict: Guard) -> str:
    return screening_words.result(verdict.result) if verdict.result is not None else "No screening recorded"


def _due_today(patient: Patient, day: date) -> list[DueLine]:
    windows = list(
        DueWindow.objects.filter(patient=patient, service_date=day)
        .exclude(state=WindowState.CANCELLED)
        .order_by("earliest", "id")
    )
    visits = {
        visit.window_id: visit
        for visit in ScheduledVisit.objects.filter(
            window__in=[window.pk for window in windows], state__in=OCCUPIES
        ).prefetch_related("staff__person")
    }
    return [_due_line(window, visits.get(window.pk)) for window in windows]


def _due_line(window: DueWindow, visit: ScheduledVisit | None) -> DueLine:
    said = "Nobody scheduled"
    if visit is not None:
        people = ", ".join(str(place.person) for place in visit.staff.all())
        said = f"{formats.time(visit.start)}, {people or 'nobody'}"
    is_open = window.state == WindowState.OPEN
    return DueLine(
        window=window,
        technique=orders.technique_words(window.technique),
        due=formats.time_range(window.earliest, window.latest),
        visit=said if is_open else window.get_state_display(),
        open=is_open,
    )


def _diary(patient: Patient, today: date) -> IndependentSets | None:
    first = today - timedelta(days=DIARY_DAYS - 1)
    entries = independent_sets_of(patient, first, today + timedelta(days=1))
    if not entries:
        return None
    days: dict[date, tuple[int, int | None]] = {}
    for entry in entries:
        ordered, done = days.get(entry.service_date, (0, 0))
        days[entry.service_date] = (ordered + (entry.sets_ordered or 0), (done or 0) + entry.sets_done)
    empty = [(0, None)] * (DIARY_DAYS - len(days))
    return independent_sets([*days.values(), *empty])


def _diary_words(diary: IndependentSets | None) -> str:
    if diary is None:
        return f"No day of the last {DIARY_DAYS} has an entry."
    ordered = f"of {diary.ordered:,} ordered" if diary.ordered else "none ordered"
    share = f", {formats.percent(float(diary.share))}" if diary.share is not None else ""
    return (
        f"{diary.done:,} sets done {ordered}{share}, from {formats.count(diary.days_reported, 'day')} with an entry; "
        f"{formats.count(diary.days_empty, 'day')} without one."
    )


def _links(patient: Patient) -> list[tuple[str, str]]:
    found = []
    for words, name in LINKS:
        try:
            found.append((words, reverse(name, args=[patient.pk])))
        except NoReverseMatch:
            continue
    return found
