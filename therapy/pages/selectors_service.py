"""What the manager's home page shows: the figures of the week so far, the same that the weekly report makes.

Patients stand here by number or as counts, staff as sums: never by name with an outcome.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, Sum

from clinic import formats
from clinic.calendar import Week
from clinic.measurements.models import Measurement
from clinic.models import Person
from therapy.outcomes.selectors import clinic_zone, figures_scope
from therapy.pages.holds import patients_on_hold
from therapy.reports import selectors as reports
from therapy.reports import weekly
from therapy.reports.models import StoredReport
from therapy.scheduling.models import DueWindow, WindowState
from therapy.sessions import words as treatment_words
from therapy.sessions.models import TreatmentSession
from therapy.sessions.rules import GROUP_WORDS, REASONS

WEEKS_BEFORE = weekly.WEEKS_BEFORE


@dataclass(frozen=True)
class ReasonRow:
    """Not delivered for one group of reasons: how many, and for which reasons. `due`: whether it counts as due."""

    words: str
    number: int
    reasons: str
    due: bool
    bar_words: str


@dataclass(frozen=True)
class Completeness:
    """How much of what should have been written down was: each as (recorded, of how many)."""

    entries: tuple[int, int]
    saturation: tuple[int, int]
    sputum: tuple[int, int]
    tolerance: tuple[int, int]

    @property
    def rows(self) -> list["Recorded"]:
        """What was recorded of what should have been, line by line."""
        return [
            Recorded("Due treatments with an entry", *self.entries),
            Recorded("Given treatments with SpO2 before and after", *self.saturation),
            Recorded("Given treatments with sputum told", *self.sputum),
            Recorded("Given treatments with how they were tolerated", *self.tolerance),
        ]


@dataclass(frozen=True)
class Recorded:
    """One line of completeness."""

    words: str
    recorded: int
    of: int

    @property
    def share(self) -> float | None:
        return self.recorded / self.of if self.of else None


@dataclass(frozen=True)
class UrgencyLine:
    """From referral to first treatment in one urgency, as (urgency, words)."""

    words: str
    treated: int


@dataclass(frozen=True)
class ServiceHome:
    """The whole page."""

    week: Week
    week_words: str
    values: dict[str, Any]
    delivered_words: str
    before_words: str
    not_delivered: list[ReasonRow]
    beside: list[ReasonRow]
    on_hold_now: int
    minutes_due: int
    minutes_present: int
    minutes_given: int
    complete: Completeness
    report: StoredReport | None
    median_words: str
    by_urgency: list[tuple[str, UrgencyLine]]
    event_words: str
    updated_at: datetime

    @property
    def minutes_words(self) -> str:
        return f"{self.minutes_due:,} minutes needed, {self.minutes_present:,} minutes present"


def service_home(person: Person, now: datetime) -> ServiceHome:
    """Everything on the page. The number of queries does not depend on the caseload."""
    scope = figures_scope(person)
    week = Week.of(now.astimezone(clinic_zone()).date())
    span = weekly.span_of(week, now)
    values = weekly.collect(week, as_of=now)
    rows = _reasons(values["clinic"], values["reasons"])
    return ServiceHome(
        week=week,
        week_words=f"Week {week.number}, {formats.date_range(week.first_day, week.last_day)}",
        values=values,
        delivered_words=counts_words(values["clinic"]),
        before_words=counts_words(values["before"]),
        not_delivered=[row for row in rows if row.due],
        beside=[row for row in rows if not row.due],
        on_hold_now=patients_on_hold(scope, now),
        minutes_due=_minutes_due(span),
        minutes_present=sum(row["minutes_present"] for row in values["staff"]),
        minutes_given=sum(row["minutes_given"] for row in values["staff"]),
        complete=_complete(values, span),
        report=reports.newest_report(person),
        median_words=spell_of_minutes(values["first_treatment"]["median_minutes"]),
        by_urgency=[
            (urgency, UrgencyLine(spell_of_minutes(one["median_minutes"]), one["treated"]))
            for urgency, one in values["first_treatment"]["by_urgency"].items()
            if one["treated"]
        ],
        event_words=", ".join(
            f"{treatment_words.ADVERSE_EVENTS.get(kind, kind).lower()} {number:,}"
            for kind, number in values["events"]["kinds"].items()
        ),
        updated_at=now,
    )


def counts_words(figure: dict[str, Any]) -> str:
    """`12 full, 2 in part, of 18 due`."""
    if not figure["due"]:
        return "nothing was due"
    return f"{figure['full']:,} in full, {figure['part']:,} in part, of {figure['due']:,} due"


def _reasons(figure: dict[str, Any], reasons: dict[str, list[Any]]) -> list[ReasonRow]:
    rows = []
    for group, words in GROUP_WORDS.items():
        due = group in figure["not_delivered"]
        number = figure["not_delivered"][group] if due else figure["excluded"].get(group, 0)
        parts = [f"{_reason_words(code)} {count:,}" for code, count in reasons.get(group, [])]
        rows.append(ReasonRow(words, number, ", ".join(parts), due, f"{number:,} of {figure['due']:,} due"))
    return sorted(rows, key=lambda row: -row.number)


def _reason_words(code: str) -> str:
    if code in REASONS:
        return REASONS[code].words.lower()
    return _CLOSED_BY_JOB.get(code, code.replace("_", " "))


_CLOSED_BY_JOB = {
    "left_caseload": "left the caseload",
    "order_hold": "on hold by a person",
    "guard_hold": "on hold by a finding",
    "screening_not_done": "screening not done",
    "not_recorded": "without an entry",
}


def _minutes_due(span: weekly.Span) -> int:
    due = DueWindow.objects.filter(latest__gte=span.start, latest__lt=span.end).exclude(
        state=WindowState.CANCELLED
    )
    return int(due.aggregate(minutes=Sum("minutes"))["minutes"] or 0)


def _complete(values: dict[str, Any], span: weekly.Span) -> Completeness:
    def measured(moment: str) -> Exists:
        return Exists(
            Measurement.objects.filter(
                treatment_id=OuterRef("pk"), kind="spo2_percent", moment=moment, entered_in_error=False
            )
        )

    given = TreatmentSession.objects.filter(
        started_at__gte=span.start,
        started_at__lt=span.end,
        delivered__in=("full", "part"),
        entered_in_error=False,
    )
    counts = given.aggregate(
        given=Count("pk"),
        sputum=Count("pk", filter=~Q(sputum="")),
        tolerance=Count("pk", filter=~Q(tolerance="")),
        saturation=Count("pk", filter=Q(measured("before")) & Q(measured("after"))),
    )
    figure = values["clinic"]
    # Held and away have an entry too: whoever held or missed them said so.
    closed = figure["due"] + figure["excluded"]["clinical"] + figure["excluded"]["away"]
    unrecorded = figure["not_delivered"]["not_recorded"]
    total = counts["given"]
    return Completeness(
        entries=(closed - unrecorded, closed),
        saturation=(counts["saturation"], total),
        sputum=(counts["sputum"], total),
        tolerance=(counts["tolerance"], total),
    )


def spell_of_minutes(minutes: float | int | str | None) -> str:
    """A median given in minutes, in words; "Not recorded" where there was none."""
    return formats.spell(timedelta(minutes=float(minutes))) if minutes is not None else formats.NOT_RECORDED
