"""Records reassessments, and opens and closes the flags of those that are overdue."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from clinic import formats, records
from clinic.access import patients_visible_to, require
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.attention.services import NOT_CLOSED, FlagOutcome
from clinic.audit import services as audit
from clinic.jobs import services as jobs
from clinic.models import Assignment, JobRun, Patient, Person
from clinic.patients.models import PatientState
from clinic.records import Refused
from clinic.staff.roles import Role
from clinic.units.models import CareSetting
from therapy.orders.models import Order
from therapy.reassessment import selectors
from therapy.reassessment.models import Reassessment, ReassessmentOutcome
from therapy.reassessment.rules import Due

LONGEST_FINDINGS = 1000
_SINCE = "%Y%m%dT%H%M%S.%f%z"
_LEFT: dict[str, tuple[str, str]] = {
    PatientState.DIED: (FlagOutcome.DIED, "The patient died; recorded {}."),
    PatientState.DISCHARGED: (FlagOutcome.DISCHARGED, "Discharged {} without it."),
}
Progress = Callable[[int, int, str], None]


FLAG_JOB = "flag-overdue-reassessments"


@dataclass(frozen=True)
class Flagged:
    """How many flags a run opened and closed."""

    opened: int
    closed: int


@transaction.atomic
def record(
    *,
    by: Person,
    patient: Patient,
    at: datetime,
    outcome: str,
    findings: str,
    still_helps: str = "unknown",
    order: Order | None = None,
    reassessment_id: UUID | None = None,
) -> Reassessment:
    """Keep that a patient was looked at again and what came of it, and close the flag that asked for it.

    It changes no order: whoever decided to change or stop one does so on the order's page.

    Args:
        reassessment_id: made by the form, so that pressing twice records once.
    Raises: Refused naming the field; NotPermitted for any other role; Http404 through the view's selector.
    """
    require(by, Role.LEAD, Role.THERAPIST)
    known = Reassessment.objects.filter(pk=reassessment_id).first() if reassessment_id else None
    if known is not None:
        return known
    _check(patient=patient, by=by, at=at, outcome=outcome, findings=findings, order=order)
    due = selectors.due_of_patient(patient, at)
    row = Reassessment.objects.create(
        **({"id": reassessment_id} if reassessment_id else {}),
        patient=patient,
        order=order,
        at=at,
        due_at=due.due_at if due else None,
        by=by,
        outcome=outcome,
        findings=findings.strip(),
        still_helps=still_helps,
    )
    audit.record(action="reassessed", by=by, subject=row, patient=patient, reason=outcome)
    _close_void(_waiting([patient]), by=by, now=timezone.now())
    return row


@transaction.atomic
def correct(
    *, by: Person, row: Reassessment, changes: dict[str, Any], reason: str, expect_version: int
) -> Reassessment:
    """Change a reassessment, or mark it as entered in error; the earlier version stays readable.

    Raises: Refused naming the field, also where `by` may not open the patient and without a reason; Changed
        where somebody else was first; NotPermitted for any other role.
    """
    require(by, Role.LEAD, Role.THERAPIST)
    if "findings" in changes:
        changes = changes | {"findings": changes["findings"].strip()}
    corrected = {
        name: changes.get(name, getattr(row, name)) for name in ("at", "outcome", "findings", "order")
    }
    _check(patient=row.patient, by=by, **corrected)
    changed = records.amend(row, by=by, reason=reason, changes=changes, expect_version=expect_version)
    _close_void(_waiting([row.patient]), by=by, now=timezone.now())
    return changed


def ask_for_flags(*, by: Person, now: datetime) -> JobRun:
    """Queue a look for overdue reassessments now, instead of at the next quarter of an hour.

    Raises: NotPermitted unless lead.
    """
    require(by, Role.LEAD)
    return jobs.enqueue(FLAG_JOB, f"asked for {formats.date_time(now)}", by=by, again=True)


def open_overdue_flags(*, now: datetime, progress: Progress | None = None) -> Flagged:
    """Open a flag for each overdue reassessment, and close those that have become void. Twice changes nothing.

    What is due is read from the database, so a run that was lost is caught up by the next.
    """
    closed = _close_void(_waiting(None), by=None, now=now)
    overdue = {pk: due for pk, due in selectors.due_of(Patient.objects.all(), now).items() if due.overdue}
    patients = Patient.objects.in_bulk(list(overdue))
    owners = {
        row.patient_id: row.therapist
        for row in Assignment.objects.filter(patient__in=patients, ended_at__isnull=True).select_related(
            "therapist"
        )
    }
    earlier: dict[UUID | None, list[Flag]] = {}
    for flag in Flag.objects.filter(kind=FlagKind.REASSESS, patient__in=patients).order_by("opened_at", "id"):
        earlier.setdefault(flag.patient_id, []).append(flag)
    opened = 0
    for number, (pk, due) in enumerate(sorted(overdue.items(), key=lambda item: (item[1].due_at, item[0]))):
        if progress is not None:
            progress(number, len(overdue), "Overdue reassessments")
        opened += _open(patients[pk], due, owners.get(pk), earlier.get(pk, []))
    return Flagged(opened, closed)


def _open(patient: Patient, due: Due, owner: Person | None, earlier: Iterable[Flag]) -> bool:
    """Open a flag unless one waits.

    One that was closed while the patient stays overdue (by hand, or by a reassessment that was since struck
    as entered in error) is followed by another: only a reassessment ends the spell.
    """
    prefix = _key(patient.pk, due.since)
    same = [flag for flag in earlier if _since(flag) in (None, due.since)]
    if any(flag.state in NOT_CLOSED for flag in same):
        return False
    key = prefix if not same else f"{prefix}:{len(same) + 1}"
    setting = str(CareSetting(due.care_setting).label)
    if patient.unit_id is None:
        setting = "the strictest care setting, as no unit is recorded"
    _, opened = attention.open_flag(
        kind=FlagKind.REASSESS,
        key=key,
        words=f"Reassessment was due {formats.date_time(due.due_at)} (interval for {setting}).",
        due_at=due.due_at,
        patient=patient,
        owner=owner,
        source="job",
    )
    return opened


def _waiting(patients: Iterable[Patient] | None) -> list[Flag]:
    flags = Flag.objects.filter(kind=FlagKind.REASSESS, state__in=NOT_CLOSED).select_related("patient")
    if patients is not None:
        flags = flags.filter(patient__in=patients)
    return list(flags.order_by("due_at", "id"))


def _close_void(flags: Iterable[Flag], *, by: Person | None, now: datetime) -> int:
    """Close the flags whose reassessment was done or can no longer be due, each with the event that made it so."""
    rows = [flag for flag in flags if flag.patient is not None]
    patients = Patient.objects.filter(pk__in=[flag.patient_id for flag in rows])
    due = selectors.due_of(patients, now)
    last = {
        row.patient_id: row.at
        for row in Reassessment.objects.filter(
            patient__in=patients, at__lte=now, entered_in_error=False
        ).order_by("at", "id")
    }
    closed = 0
    for flag in rows:
        verdict = _void(flag, due.get(flag.patient_id), last.get(flag.patient_id))  # type: ignore[arg-type]  # patient is set
        if verdict is not None:
            outcome, words = verdict
            closed += attention.close_flag(
                flag, by=by, outcome=outcome, words=words, source="web" if by else "job"
            )
    return closed


def _void(flag: Flag, due: Due | None, reassessed: datetime | None) -> tuple[str, str] | None:
    """The outcome by which a flag closes, with the event in words; None while it stands."""
    patient = flag.patient
    if patient is not None and patient.state in _LEFT:
        outcome, words = _LEFT[patient.state]
        return outcome, words.format(formats.date_time(patient.state_since))
    since = _since(flag)
    if reassessed is not None and reassessed > (since or flag.due_at):
        return FlagOutcome.DONE, f"Reassessed {formats.date_time(reassessed)}."
    if due is None:
        return FlagOutcome.VOID, "No order is in force any more."
    if due.overdue and since in (None, due.since):
        return None
    return FlagOutcome.SUPERSEDED, f"Now due {formats.date_time(due.due_at)}."


def _key(patient_id: UUID, since: datetime) -> str:
    """What makes overdue twice one flag: the patient and the act from which the time runs."""
    return f"reassess:{patient_id}:{since.astimezone(UTC).strftime(_SINCE)}"


def _since(flag: Flag) -> datetime | None:
    """The act from which the flag's time runs; None where its key does not say."""
    try:
        return datetime.strptime(flag.key.split(":")[2], _SINCE).astimezone(UTC)
    except (ValueError, IndexError):
        return None


def _check(
    *, patient: Patient, by: Person, at: datetime, outcome: str, findings: str, order: Order | None
) -> None:
    if not patients_visible_to(by).filter(pk=patient.pk).exists():
        raise Refused("patient", "You have no access to this patient.")
    if at > timezone.now():
        raise Refused("at", "The time of the reassessment must not lie in the future.")
    if outcome not in ReassessmentOutcome.values:
        raise Refused("outcome", "Choose what came of the reassessment.")
    if not findings.strip():
        raise Refused("findings", "Enter what you found.")
    if len(findings.strip()) > LONGEST_FINDINGS:
        raise Refused("findings", f"Findings must be {LONGEST_FINDINGS} characters or fewer.")
    if order is not None and order.patient_id != patient.pk:
        raise Refused("order", "The order must be one of this patient.")
