"""Decides what became of each due window of the demo, in the order of time."""

from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from clinic.models import AccessGrant, Person
from therapy.models import DueWindow, Order, ScheduledVisit, VisitStaff
from therapy.pages.demo import bedside
from therapy.pages.demo.cases import Case
from therapy.pages.demo.scene import Scene
from therapy.pages.demo.screenings import Screenings
from therapy.scheduling.models import WindowState

VISITS_FROM_DAYS, BEDSIDE_DAYS, SCREEN_DAYS = 7, 3, 7
_WARDS = ("acute", "step_down")
_AT_BEDSIDE = ("therapist", "student")

# Reason group, reason, words: how often each on a ward and at home.
_MISSED_WARD = (
    (("patient", "declined"), "Too tired", 10),
    (("patient", "asleep"), "Asked not to be woken", 4),
    (("away", "imaging"), "", 9),
    (("away", "theatre"), "", 2),
    (("away", "dialysis"), "", 2),
    (("clinical", "unwell"), "Ward round asked to wait", 5),
    (("service", "no_device"), "Device not on the ward", 2),
    (("service", "overlooked"), "Left off the list", 1),
)
_MISSED_HOME = (
    (("patient", "not_at_home"), "", 8),
    (("patient", "declined"), "Asked to come another day", 6),
    (("away", "away_elsewhere"), "In hospital for the day", 1),
    (("service", "no_device"), "Device at repair", 1),
)


@dataclass
class Told:
    """What the course leaves for today: the patients' screenings, orders in force and open windows."""

    screenings: dict[str, Screenings] = field(default_factory=dict)
    orders: dict[str, list[Order]] = field(default_factory=dict)
    open_today: list[tuple[Case, DueWindow]] = field(default_factory=list)


@dataclass(frozen=True)
class Due:
    """One window with what the telling of it needs."""

    case: Case
    order: Order
    window: DueWindow
    day_of_course: int


class Teller:
    """Treats each window, gives the reason why not, or leaves it open for today."""

    def __init__(self, scene: Scene, told: Told) -> None:
        self.scene, self.told, self.chance = scene, told, scene.book.chance
        self.until = scene.clock.told_until
        self._begun: set[object] = set()
        self._granted: set[tuple[str, str, date]] = set()

    def tell(self, due: Due) -> None:
        """What became of one window; windows come in the order of time."""
        window, case = due.window, due.case
        if due.order.pk not in self._begun:
            self._begin(due)
        still_open = window.latest > self.until
        if still_open and (window.earliest > self.until or self.chance.random() < 0.6):
            self._leave_open(due)
        elif case.story == "comfort" and self.chance.random() < 0.5:
            self._missed(due, ("clinical", "comfort_care"), "Comfortable, not disturbed")
        elif not still_open and self.chance.random() < 0.03:
            window.state, window.closed_at = WindowState.NOT_DELIVERED, window.latest + timedelta(minutes=15)
            window.reason_group = "not_recorded"
        elif self.chance.random() > case.willing - 0.03:
            table = _MISSED_HOME if case.unit == "home" else _MISSED_WARD
            reason, words, _ = self.chance.choices(table, [weight for *_, weight in table])[0]
            self._missed(due, reason, words)
        else:
            self._try_to_treat(due)

    def _begin(self, due: Due) -> None:
        """Screen before an order starts."""
        self._begun.add(due.order.pk)
        screenings, service = self.told.screenings[due.case.key], self.scene.service
        start, technique = due.order.started_at, due.order.technique
        if screenings.last is not None and screenings.last.started_at >= start - timedelta(minutes=25):
            return
        reason = "first" if screenings.last is None else "order changed"
        by = service.people[due.case.therapist]
        results = screenings.ask(start - timedelta(minutes=25), by, reason)
        screenings.decide(technique, results[technique], start - timedelta(minutes=10), service.lead)

    def _leave_open(self, due: Due) -> None:
        self.told.open_today.append((due.case, due.window))

    def _try_to_treat(self, due: Due) -> None:
        window, case = due.window, due.case
        minutes = max(10, window.minutes + self.chance.randint(-4, 6))
        length = timedelta(minutes=minutes)
        by_now = min(window.latest, self.until - length - timedelta(minutes=5))
        slot = self.scene.diary.find(_names(case), due.order.patient_id, window, by=by_now, minutes=minutes)
        if case.helper and (slot is None or self.chance.random() < 0.4):
            start = window.earliest + timedelta(minutes=20)
            if start <= by_now:
                return self._treated(due, "carer", case.therapist, (start, start + length))
        if slot is not None:
            name, start = slot
            by = self.scene.service.people[name].profession
            return self._treated(due, by, name, (start, start + length))
        if window.latest > self.until:
            return self._leave_open(due)
        if case.unit in _WARDS and self.chance.random() < 0.75:
            start = window.earliest + timedelta(minutes=self.chance.randint(5, 50))
            return self._treated(due, "nurse", case.therapist, (start, start + length))
        return self._missed(due, ("service", "no_therapist"), "")

    def _treated(self, due: Due, by: str, name: str, times: tuple[datetime, datetime]) -> None:
        window, order, (start, end) = due.window, due.order, times
        diary, day = self.scene.diary, window.service_date
        if not diary.is_free(order.patient_id, day, start, end):
            return self._missed(due, ("service", "overlooked"), "Two treatments fell together")
        person, at_bedside = self.scene.service.people[name], by in _AT_BEDSIDE
        diary.take([order.patient_id, *([name] if at_bedside else [])], day, start, end)
        self._screen(due, start, person)
        full = self.chance.random() > (0.12 if due.case.willing < 0.93 else 0.05)
        given = bedside.Given(start, end, by, person, full, due.day_of_course, order.times_a_day or 1)
        row = bedside.given(self.scene.book, due.case, order, window, given)
        if self.told.screenings[due.case.key].decision is not None:
            row.guard_result = "clinician_must_decide"
        if row.needs_signature and start < self.scene.clock.at(1, "12:00"):
            row.signed_by, row.signed_at = self.scene.service.lead, end + timedelta(hours=3)
        window.state, window.closed_at = WindowState.FULL if full else WindowState.PART, row.recorded_at
        window.reason_group, window.reason = row.reason_group, row.reason
        if at_bedside and day > self.scene.clock.day(VISITS_FROM_DAYS):
            row.visit = self._visit(due, name, start, end)
            if name != due.case.therapist:
                self._grant(due, name)
        return None

    def _visit(self, due: Due, name: str, start: datetime, end: datetime) -> ScheduledVisit:
        book, clock, service = self.scene.book, self.scene.clock, self.scene.service
        day = due.window.service_date
        visit = book.add(
            ScheduledVisit(
                id=book.new_id(start), patient=due.order.patient, window=due.window, by=service.lead, service_date=day,
                created_at=clock.on(day, time(7, 45)), start=start, end=end, state="done",
            )
        )  # fmt: skip
        book.add(VisitStaff(visit=visit, person=service.people[name], start=start, end=end, state="done"))
        return visit

    def _grant(self, due: Due, name: str) -> None:
        """Whoever visits another's patient may open the record on that day."""
        clock, day = self.scene.clock, due.window.service_date
        if (name, due.case.key, day) in self._granted:
            return
        self._granted.add((name, due.case.key, day))
        begins = clock.on(day, time(7, 45))
        self.scene.book.add(
            AccessGrant(
                id=self.scene.book.new_id(begins), person=self.scene.service.people[name], patient=due.order.patient,
                why="scheduled", from_at=begins, until_at=clock.on(day + timedelta(days=1), time(8)),
                by=self.scene.service.lead, created_at=begins,
            )
        )  # fmt: skip

    def _screen(self, due: Due, start: datetime, person: Person) -> None:
        screenings, technique = self.told.screenings[due.case.key], due.order.technique
        if screenings.last is None:
            return
        recent = due.window.service_date > self.scene.clock.day(BEDSIDE_DAYS)
        if recent or start - screenings.last.started_at > timedelta(days=SCREEN_DAYS):
            at = max(start - timedelta(minutes=4), screenings.last.started_at + timedelta(minutes=1))
            results = screenings.ask(at, person, "bedside check" if recent else "weekly")
            screenings.decide(technique, results[technique], at, self.scene.service.lead)

    def _missed(self, due: Due, reason: tuple[str, str], words: str) -> None:
        window, service = due.window, self.scene.service
        at = min(window.latest, window.earliest + timedelta(minutes=30), self.until)
        person = service.lead if reason[0] == "service" else service.people[due.case.therapist]
        row = bedside.not_given(self.scene.book, due.order, window, bedside.Missed(at, person, reason, words))
        window.state, window.closed_at = WindowState.NOT_DELIVERED, row.recorded_at
        (window.reason_group, window.reason), window.reason_words = reason, words


def _names(case: Case) -> list[str]:
    """Who may treat, the owner first; a home round has one."""
    if case.unit == "home":
        return [case.therapist]
    everybody = ("lindqvale", "quillfeather", "heron", "thornapple", "wrenfield")
    others = [name for name in everybody if name != case.therapist]
    if case.prescriptions[0].technique == "mi_e":
        others = [name for name in others if name not in ("thornapple", "wrenfield")]
    return [case.therapist, *others]
