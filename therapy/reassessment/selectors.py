"""Reads when patients must be reassessed, which are overdue, and how many of those that fell due were on time."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet

from clinic.calendar import Spell, to_the_minute
from clinic.models import Patient
from clinic.units.defaults import REASSESSMENT
from clinic.units.models import CareSettingRule
from therapy.orders.models import Order
from therapy.orders.selectors import orders_in_force
from therapy.outcomes.selectors import clinic_zone
from therapy.outcomes.whereabouts import Whereabouts
from therapy.reassessment.models import Reassessment
from therapy.reassessment.rules import Act, Due, Event, Settings, reassessment_due, strictest


@dataclass(frozen=True)
class Question:
    """What the rule is asked for one patient: the very arguments of `rules.reassessment_due`."""

    care_setting: str
    settings: Settings
    events: tuple[Event, ...]
    now: datetime

    def due(self) -> Due:
        """The rule's answer."""
        return reassessment_due(
            care_setting=self.care_setting, settings=self.settings, events=self.events, now=self.now
        )


@dataclass(frozen=True)
class OnTime:
    """Of the reassessments that fell due in a range: how many were on time; and what those made decided."""

    due: int
    on_time: int
    late: int
    still_overdue: int
    outcomes: dict[str, int]


def settings_in_force() -> Settings:
    """The interval of each care setting: the clinic's own where it set one, else the default. One query."""
    spells = {row.care_setting: Spell(row.every, row.spell) for row in REASSESSMENT}  # type: ignore[arg-type]  # checked by a test
    for row in CareSettingRule.objects.order_by("care_setting", "id"):
        spells[row.care_setting] = Spell(row.reassess_every, row.reassess_every_spell)  # type: ignore[arg-type]  # choices
    return Settings(clinic_zone(), spells)


def questions(patients: QuerySet[Patient], now: datetime) -> dict[UUID, Question]:
    """What to ask the rule for each patient with an order in force at `now`, who had not left by then.

    Whoever left since is asked about as things stood at `now`, so that a closed week keeps its figures. Seven
    queries.
    """
    starts = _starts(patients.filter(entered_in_error=False), now)
    done: dict[UUID, list[datetime]] = defaultdict(list)
    for patient_id, at in (
        Reassessment.objects.filter(patient_id__in=list(starts), at__lte=now, entered_in_error=False)
        .order_by("at", "id")
        .values_list("patient_id", "at")
    ):
        done[patient_id].append(at)
    where = Whereabouts(Patient.objects.filter(pk__in=list(starts)))
    settings = settings_in_force()
    found = {}
    for patient_id, started in starts.items():
        if where.had_left(patient_id, now):
            continue
        # Where no unit is recorded the strictest interval counts: unknown is never "not due".
        care_setting = where.care_setting(patient_id, now) or strictest(settings, now)
        events = [Event(Act.ORDER_STARTED, started, where.care_setting(patient_id, started))]
        # What was looked at before the present care began does not count for it.
        events += [
            Event(Act.REASSESSED, at, where.care_setting(patient_id, at))
            for at in done[patient_id]
            if at >= started
        ]
        events += [Event(Act.CARE_SETTING_CHANGED, at, setting) for at, setting in where.moves(patient_id)]
        found[patient_id] = Question(care_setting, settings, tuple(events), now)
    return found


def due_of(patients: QuerySet[Patient], now: datetime) -> dict[UUID, Due]:
    """When each of these patients must be reassessed; no entry where nothing is in force."""
    return {patient_id: question.due() for patient_id, question in questions(patients, now).items()}


def due_of_patient(patient: Patient, now: datetime) -> Due | None:
    """When one patient must be reassessed, None where nothing is in force."""
    return due_of(Patient.objects.filter(pk=patient.pk), now).get(patient.pk)


def reassessments_of(patient: Patient) -> QuerySet[Reassessment]:
    """A patient's reassessments, newest first, those entered in error included and marked."""
    return Reassessment.objects.filter(patient=patient).select_related("by", "order").order_by("-at", "-id")


def on_time(patients: QuerySet[Patient], *, start: datetime, end: datetime, now: datetime) -> OnTime:
    """Of the reassessments due in [start, end) up to `now`: on time, late, or still not done.

    At the due minute a reassessment is on time. What was never due (a first look) counts nowhere.
    """
    rows = Reassessment.objects.filter(patient__in=patients, entered_in_error=False)
    until = min(end, now)
    due = [
        to_the_minute(at) <= to_the_minute(due_at)
        for at, due_at in rows.filter(due_at__gte=start, due_at__lt=end, at__lte=now).values_list(
            "at", "due_at"
        )
        if due_at is not None
    ]
    overdue = [
        each for each in due_of(patients, now).values() if each.overdue and start <= each.due_at < until
    ]
    outcomes = Counter(rows.filter(at__gte=start, at__lt=end, at__lte=now).values_list("outcome", flat=True))
    return OnTime(
        due=len(due) + len(overdue),
        on_time=sum(due),
        late=len(due) - sum(due),
        still_overdue=len(overdue),
        outcomes=dict(sorted(outcomes.items())),
    )


def overdue_by_number(patients: QuerySet[Patient], now: datetime) -> Sequence[tuple[str, Due]]:
    """Patients whose reassessment is overdue, by record number without name, the longest overdue first."""
    overdue = {pk: due for pk, due in due_of(patients, now).items() if due.overdue}
    numbers: Mapping[UUID, str] = dict(
        Patient.objects.filter(pk__in=list(overdue)).values_list("pk", "identity__record_number")
    )
    rows = [(numbers[pk] or "", due) for pk, due in overdue.items()]
    return sorted(rows, key=lambda row: (row[1].due_at, row[0]))


def due_list(person_patients: QuerySet[Patient], now: datetime, until: datetime) -> list[tuple[Patient, Due]]:
    """Patients whose reassessment is due up to `until`, overdue ones included, the earliest first."""
    rows = {pk: due for pk, due in due_of(person_patients, now).items() if due.due_at <= until}
    patients = Patient.objects.filter(pk__in=list(rows)).select_related("identity", "unit")
    return sorted(((p, rows[p.pk]) for p in patients), key=lambda row: (row[1].due_at, str(row[0].pk)))


def _starts(patients: QuerySet[Patient], now: datetime) -> dict[UUID, datetime]:
    """When the present care of each patient began: the start of its oldest order in force, changes followed back."""
    in_force = list(
        orders_in_force(now).filter(patient__in=patients).values_list("pk", "patient_id", "started_at")
    )
    begun = {
        pk: (replaces, started_at)
        for pk, replaces, started_at in Order.objects.filter(
            patient_id__in={row[1] for row in in_force}, draft=False
        ).values_list("pk", "replaces_id", "started_at")
    }
    starts: dict[UUID, datetime] = {}
    for order_id, patient_id, started_at in in_force:
        start, replaced = started_at, begun[order_id][0]
        while replaced in begun and replaced is not None:
            replaced, earlier = begun[replaced]
            start = min(start, earlier)
        starts[patient_id] = min(start, starts.get(patient_id, start))
    return starts
