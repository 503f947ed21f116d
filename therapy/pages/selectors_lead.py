"""What the department lead's home page shows, in the order in which it is worked through."""

from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

from django.utils import timezone

from clinic import formats
from clinic.calendar import instant_of
from clinic.models import Patient, Person, Referral
from clinic.patients import selectors as patients
from clinic.patients.models import PatientState
from clinic.patients.selectors import PatientRow
from clinic.referrals import selectors as referrals
from clinic.referrals.models import Urgency
from screening.models import Decision
from therapy.orders import selectors as orders
from therapy.pages import minutes
from therapy.pages.holds import OnHold, on_hold
from therapy.reassessment import selectors as reassessments
from therapy.reassessment.rules import Due
from therapy.scheduling import selectors as scheduling
from therapy.scheduling.models import ScheduledVisit
from therapy.sessions.models import TreatmentSession

_REFERRED = PatientState.REFERRED.label.capitalize()
_KINDS: dict[str, str] = {Urgency.URGENT: "stop-text", Urgency.SOON: "look-text"}


@dataclass(frozen=True)
class WaitingReferral:
    """One referral that nobody has decided on, or that waits for more information."""

    referral: Referral
    who: PatientRow
    kind: str
    waiting: timedelta


@dataclass(frozen=True)
class DueReassessment:
    """One patient to look at again: how long over, or by when today."""

    who: PatientRow
    due: Due
    care_setting: str
    over: timedelta | None


@dataclass(frozen=True)
class ToSign:
    """What waits for a signature, and decisions that run out today."""

    orders: int
    records: int
    decisions: int
    first_ends_at: datetime | None

    @property
    def words(self) -> str:
        """`3 telephone orders, 2 student records, 1 decision running out at 12:00`."""
        parts = [
            formats.count(self.orders, "telephone order") if self.orders else "",
            formats.count(self.records, "student record") if self.records else "",
        ]
        if self.decisions:
            decisions = formats.count(self.decisions, "decision")
            first = "running out at" if self.decisions == 1 else "running out today, the first at"
            parts.append(f"{decisions} {first} {formats.time(self.first_ends_at)}")
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True)
class NotRecorded:
    """One visit of an earlier day of which nobody recorded what became."""

    who: PatientRow
    visit: ScheduledVisit
    people: str


@dataclass(frozen=True)
class LeadHome:
    """The whole page."""

    referrals: list[WaitingReferral]
    today: minutes.Today
    holds: list[OnHold]
    overdue: list[DueReassessment]
    due_today: list[DueReassessment]
    to_sign: ToSign
    not_recorded: list[NotRecorded]
    updated_at: datetime


def lead_home(person: Person, now: datetime) -> LeadHome:
    """Everything on the page, in a number of queries that does not grow with the caseload."""
    due = due_reassessments(person, now)
    return LeadHome(
        referrals=waiting_referrals(person, now),
        today=minutes.today(timezone.localdate(now), now),
        holds=on_hold(person, now),
        overdue=[one for one in due if one.over is not None],
        due_today=[one for one in due if one.over is None],
        to_sign=to_sign(person, now),
        not_recorded=not_recorded(person, now),
        updated_at=now,
    )


def waiting_referrals(person: Person, now: datetime) -> list[WaitingReferral]:
    """Referrals without a decision, the most urgent first and within urgency the longest waiting."""
    found = list(referrals.open_referrals(person))
    # That they are referred is what the list is about; other signs stay.
    who = {
        key: replace(row, signs=tuple(sign for sign in row.signs if sign[0] != _REFERRED))
        for key, row in _who([row.patient for row in found]).items()
    }
    return [
        WaitingReferral(row, who[row.patient_id], _KINDS.get(row.urgency, ""), referrals.waiting(row, now))
        for row in found
    ]


def due_reassessments(person: Person, now: datetime) -> list[DueReassessment]:
    """Reassessments overdue or due until the end of the day, the longest overdue first."""
    tomorrow = timezone.localdate(now) + timedelta(days=1)
    midnight = instant_of(tomorrow, time(0), timezone.get_default_timezone())
    rows = reassessments.due_list(patients.patients(person), now, midnight)
    who = _who([patient for patient, _ in rows])
    return [
        DueReassessment(
            who=who[patient.pk],
            due=due,
            care_setting=due.care_setting.replace("_", "-"),
            over=now - due.due_at if due.overdue else None,
        )
        for patient, due in rows
    ]


def to_sign(person: Person, now: datetime) -> ToSign:
    """Counts of what waits for a signature; decisions whose end lies in the rest of today."""
    visible = patients.patients(person)
    records = TreatmentSession.objects.filter(
        needs_signature=True, signed_at__isnull=True, entered_in_error=False, patient__in=visible
    )
    tomorrow = timezone.localdate(now) + timedelta(days=1)
    midnight = instant_of(tomorrow, time(0), timezone.get_default_timezone())
    ends = list(
        Decision.objects.filter(
            ended_at__isnull=True,
            expires_at__gte=now,
            expires_at__lt=midnight,
            patient__in=visible,
            proceed=True,
        )
        .order_by("expires_at", "id")
        .values_list("expires_at", flat=True)
    )
    return ToSign(len(orders.to_sign(person)), records.count(), len(ends), ends[0] if ends else None)


def not_recorded(person: Person, now: datetime) -> list[NotRecorded]:
    """Visits of earlier days without a record, the oldest first: whoever was to make them may not see them any more."""
    visits = scheduling.visits_never_recorded(person, timezone.localdate(now))
    who = _who([visit.patient for visit in visits])
    return [
        NotRecorded(who[visit.patient_id], visit, ", ".join(str(place.person) for place in visit.staff.all()))
        for visit in visits
    ]


def _who(of: list[Patient]) -> dict[object, PatientRow]:
    distinct = {one.pk: one for one in of}
    return {row.patient.pk: row for row in patients.in_list(list(distinct.values()))}
