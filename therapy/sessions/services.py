"""Writes what happened at the bedside: record, amend, strike, sign. What happened is never refused for the guard."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from django.db import IntegrityError, transaction
from django.http import Http404
from django.utils import timezone

from clinic import formats, records
from clinic.access import CLINICAL, patients_visible_to, require, require_licensed
from clinic.assignments.models import AccessGrant
from clinic.audit import services as audit
from clinic.audit.models import RecordVersion
from clinic.models import Patient, Person
from clinic.records import Refused
from clinic.staff.models import Profession
from clinic.units import selectors as units
from screening.selectors import guard
from therapy.orders.models import Order
from therapy.scheduling.models import DueWindow, ScheduledVisit
from therapy.sessions import alerts, checks, filling, findings, parts, stops
from therapy.sessions.columns import columns_of, service_date_of
from therapy.sessions.content import SessionPayload
from therapy.sessions.models import SENT_AGAIN, Delivered, DeliveredBy, TreatmentSession
from therapy.sessions.payload import FORMAT, PayloadRefused, as_json, fingerprint, parse
from therapy.sessions.referral_marks import mark_referral
from therapy.sessions.shape import Problem

# What the guard was asked about: while these stand, an amendment leaves its answer as it was.
_GUARDED_BY = ("started_at", "technique", "order_id", "delivered")
Outcome = Literal["recorded", "already_recorded", "kept_beside"]


@dataclass(frozen=True)
class Recorded:
    """What became of a payload: stored now, stored before, or kept beside another content under the same id."""

    treatment: TreatmentSession
    outcome: Outcome

    @property
    def words(self) -> str:
        """For the person who sent it."""
        at = formats.time(self.treatment.recorded_at)
        return {
            "recorded": f"Recorded at {at}.",
            "already_recorded": f"Already recorded at {at}.",
            "kept_beside": f"Recorded at {at} with other content. Both are kept, and somebody is asked to look.",
        }[self.outcome]


def record(
    *,
    by: Person,
    payload: SessionPayload | Mapping[str, Any],
    source: str = "web",
    at: datetime | None = None,
) -> Recorded:
    """Store a treatment exactly once, by the id that its payload carries.

    The same content again: nothing happens, "already recorded". Other content under the same id: the first stands,
    the other is kept in full beside it and flagged, so that nothing is lost and nothing is counted twice. It is
    never refused because of the guard, a hold or an overlap: then it is stored and flagged.

    Args:
        by: whoever records; needs access to the patient now, or had it when the treatment started.
        source: web, tablet, job or command.
        at: when it is recorded, now unless history is being loaded.
    Raises: PayloadRefused with every problem; NotPermitted; Http404.
    """
    require(by, *CLINICAL)
    read = payload if isinstance(payload, SessionPayload) else parse(payload)
    now = at or timezone.now()
    try:
        with transaction.atomic():
            return _record(by, read, source, now)
    except IntegrityError:
        # Another request stored the same id in the same instant, for another patient's row than the one locked here.
        with transaction.atomic():
            stored = TreatmentSession.objects.filter(pk=read.id).first()
            if stored is None:
                raise
            return _sent_again(stored, by, read, source, now)


@transaction.atomic
def amend(
    *,
    by: Person,
    treatment: TreatmentSession,
    payload: SessionPayload | Mapping[str, Any],
    reason: str,
    expect_version: int,
) -> TreatmentSession:
    """Correct a treatment: the whole of it as it should read, with the reason. Every older version stays readable.

    The id, the patient and who recorded it first do not change. A signature belongs to what was signed: a student's
    treatment that is amended waits for one again.

    Raises: Changed when somebody else was first; PayloadRefused; Refused without a reason; Http404.
    """
    require(by, *CLINICAL)
    read = payload if isinstance(payload, SessionPayload) else parse(payload)
    patient = _locked(by, treatment.patient_id, None)
    current = TreatmentSession.objects.get(pk=treatment.pk)
    if current.entered_in_error:
        raise Refused("treatment", "This treatment was entered in error.")
    if read.id != current.pk or read.patient != current.patient_id:
        raise Refused(
            "patient", "A treatment stays with its patient: strike it, and record it for the other."
        )
    if not reason.strip():
        raise Refused("reason", "Enter the reason for the change.")
    now = timezone.now()
    named = _checked(read, patient, now)
    before_date = current.service_date
    columns = columns_of(read, named)
    columns["service_date"] = service_date_of(read, named)
    outside: list[str] = []
    if any(columns[name] != getattr(current, name) for name in _GUARDED_BY):
        columns["guard_result"], outside = _outside_rules(read, patient, named)
        columns["outside_rules"] = bool(outside)
    known = findings.conditions_of(current)
    signed_before = current.signed_by_id is not None
    if fingerprint(read) != fingerprint(parts.payload_of(current)):
        columns |= {"payload_sha256": fingerprint(read)}
        if current.needs_signature and signed_before:
            columns |= {"signed_by_id": None, "signed_at": None}
    amended = records.amend(
        current, by=by, reason=reason.strip(), changes=columns, expect_version=expect_version
    )
    if amended.version == expect_version:
        return amended
    parts.rewrite(amended, read, named.people, by=by, reason=reason.strip())
    _settle(amended, by, {before_date, amended.service_date}, reopened=current)
    mark_referral(patient, by=by)
    _look_again(amended, by=by, outside=outside, signed_before=signed_before, known=known, now=now)
    return amended


@transaction.atomic
def strike_entered_in_error(
    *, by: Person, treatment: TreatmentSession, reason: str, expect_version: int
) -> TreatmentSession:
    """Strike a treatment that did not happen, or not to this patient. It stays readable; no figure counts it.

    Its window and its visit are open again, its flags are closed. Where another visit has taken the time meanwhile,
    somebody is asked to schedule it again.
    """
    require(by, *CLINICAL)
    patient = _locked(by, treatment.patient_id, None)
    if not reason.strip():
        raise Refused("reason", "Enter why it was entered in error.")
    current = TreatmentSession.objects.get(pk=treatment.pk)
    struck = records.amend(
        current,
        by=by,
        reason=reason.strip(),
        changes={"entered_in_error": True},
        expect_version=expect_version,
    )
    if struck.version == expect_version:
        return struck
    parts.strike(struck, by=by, reason=reason.strip())
    taken = filling.reopen_visit(struck, by=by)
    _settle(struck, by, {struck.service_date}, reopened=current)
    mark_referral(patient, by=by)
    alerts.close_all(struck, by=by, words=f"Entered in error: {reason.strip()}")
    for visit in taken:
        alerts.visit_taken_flag(struck, visit, by=by, at=timezone.now())
    return struck


@transaction.atomic
def sign(*, by: Person, treatment: TreatmentSession, expect_version: int) -> TreatmentSession:
    """Sign a student's treatment: a licensed clinician does, whoever recorded it."""
    require_licensed(by)
    _locked(by, treatment.patient_id, None)
    current = TreatmentSession.objects.get(pk=treatment.pk)
    if current.entered_in_error or not current.needs_signature:
        raise Refused("treatment", "This treatment waits for no signature.")
    if current.signed_by_id is not None:
        raise Refused("treatment", "This treatment is signed already.")
    if by.profession == Profession.STUDENT:
        raise Refused("treatment", "Somebody else than the student must sign.")
    signed = records.amend(
        current,
        by=by,
        reason="signed",
        changes={"signed_by_id": by.pk, "signed_at": timezone.now()},
        expect_version=expect_version,
    )
    alerts.close_all(signed, by=by, words="Signed", kind="co_sign")
    return signed


@transaction.atomic
def begin(
    *,
    by: Person,
    patient: Patient,
    order: Order,
    visit: ScheduledVisit | None = None,
    at: datetime | None = None,
) -> datetime:
    """Begin a treatment at the bedside: refused wherever the guard holds it. Marks its visit as under way.

    Returns: when it began.
    Raises: Refused with why it is on hold; NotPermitted; Http404.
    """
    require(by, *CLINICAL)
    _locked(by, patient.pk, None)
    now = at or timezone.now()
    _, held = alerts.rules_at(patient, order.technique, order, now)
    verdict = guard(patient, order.technique, now, purpose="begin")
    if held or verdict.held:
        raise Refused("order", f"On hold: {'; '.join(held or verdict.held_because)}.")
    if visit is not None:
        filling.begin_visit(visit, by=by)
    audit.record(action="treatment_begun", by=by, subject=order, patient=patient)
    return now


def _record(by: Person, read: SessionPayload, source: str, now: datetime) -> Recorded:
    patient = _locked(by, read.patient, read.started_at)
    stored = TreatmentSession.objects.filter(pk=read.id).first()
    if stored is not None:
        return _sent_again(stored, by, read, source, now)
    named = _checked(read, patient, now)
    verdict, outside = _outside_rules(read, patient, named)
    treatment = TreatmentSession(
        pk=read.id,
        patient=patient,
        service_date=service_date_of(read, named),
        guard_result=verdict,
        outside_rules=bool(outside),
        late_entry=_is_late(read, now),
        recorded_by=by,
        recorded_at=now,
        created_at=now,
        payload_version=FORMAT,
        payload_sha256=fingerprint(read),
        needs_signature=_needs_signature(read, by),
        **columns_of(read, named),
    )
    taken = _fill_for_new(treatment, named.window)
    treatment.save(force_insert=True)
    parts.write(treatment, read, named.people, by=by, source=source)
    _audit("treatment_recorded", by, treatment, source)
    _settle(treatment, by, {treatment.service_date})
    filling.settle_visit(treatment, by=by)
    mark_referral(patient, by=by)
    alerts.after_recording(treatment, by=by, reasons=outside, at=now, source=source)
    if taken:
        alerts.same_window_flag(treatment, by=by, at=now, source=source)
    known = stops.answered_by_stop(treatment.pk)
    findings.follow_up(treatment, by=by, at=now, source=source, known=known)
    return Recorded(treatment, "recorded")


def _sent_again(
    stored: TreatmentSession, by: Person, read: SessionPayload, source: str, now: datetime
) -> Recorded:
    """The same id a second time: the same content is known, another is kept beside the first."""
    sha = fingerprint(read)
    versions = RecordVersion.objects.filter(
        subject_type=TreatmentSession._meta.label_lower, subject_id=str(stored.pk)
    )
    known = {stored.payload_sha256, *(row.values.get("payload_sha256") for row in versions)}
    if sha in known:
        return Recorded(stored, "already_recorded")
    beside = list(RecordVersion.objects.filter(subject_type=SENT_AGAIN, subject_id=str(stored.pk)))
    if all(row.values["sha256"] != sha for row in beside):
        number = len(beside) + 1
        RecordVersion.objects.create(
            subject_type=SENT_AGAIN,
            subject_id=str(stored.pk),
            number=number,
            values={"sha256": sha, "payload": as_json(read), "source": source},
            author=by,
            reason="sent again with other content",
            at=now,
        )
        _audit("treatment_sent_again", by, stored, source)
        alerts.sent_again_flag(stored, by=by, number=number, at=now, source=source)
    return Recorded(stored, "kept_beside")


def _locked(by: Person, patient_id: Any, started_at: datetime | None) -> Patient:
    """The patient, locked so that two records of one patient follow each other. Raises: Http404."""
    visible = patients_visible_to(by).filter(pk=patient_id).exists()
    if not visible and not (started_at and _had_access(by, patient_id, started_at)):
        raise Http404
    locked = Patient.objects.select_for_update().filter(pk=patient_id).first()
    if locked is None:
        raise Http404
    return locked


def _had_access(by: Person, patient_id: Any, at: datetime) -> bool:
    """Whether a grant covered the start of a treatment: what was kept on a tablet may arrive after it ended."""
    grants = AccessGrant.objects.filter(person=by, patient=patient_id, from_at__lte=at)
    return grants.exclude(until_at__lte=at).exists()


def _checked(read: SessionPayload, patient: Patient, now: datetime) -> checks.Named:
    problems: list[Problem] = []
    named = checks.read_named(read, patient, problems)
    problems += checks.against_order(read, named.order)
    problems += checks.against_patient(read, patient, checks.local_date(read.started_at))
    problems += checks.against_clock(read, now)
    problems += checks.against_other_events(read)
    if problems:
        raise PayloadRefused(problems)
    return named


def _outside_rules(read: SessionPayload, patient: Patient, named: checks.Named) -> tuple[str, list[str]]:
    verdict, reasons = alerts.rules_at(patient, read.technique, named.order, read.started_at)
    given = read.delivered != Delivered.NOT_DELIVERED
    return str(verdict.result or verdict.bar), reasons if given else []


def _is_late(read: SessionPayload, now: datetime) -> bool:
    return now - (read.ended_at or read.started_at) > timedelta(minutes=units.number("late_entry_minutes"))


def _needs_signature(read: SessionPayload, by: Person) -> bool:
    given = read.delivered != Delivered.NOT_DELIVERED
    return given and (read.delivered_by == DeliveredBy.STUDENT or by.profession == Profession.STUDENT)


def _fill_for_new(treatment: TreatmentSession, named: DueWindow | None) -> bool:
    """Link a new treatment to the window it fills. Returns whether another one was given in it, or in the one named."""
    filled = filling.window_filled_by(treatment)
    treatment.window = filled
    if filled is not None:
        treatment.service_date = filled.service_date
    if treatment.delivered == Delivered.NOT_DELIVERED:
        return False
    windows = [each.pk for each in (named, filled) if each is not None]
    others = TreatmentSession.objects.filter(window__in=windows, entered_in_error=False)
    return others.exclude(delivered=Delivered.NOT_DELIVERED).exists()


def _settle(
    treatment: TreatmentSession, by: Person, dates: set[Any], *, reopened: TreatmentSession | None = None
) -> None:
    rows = [treatment, reopened] if reopened else [treatment]
    orders = {row.order_id for row in rows if row.order_id is not None}
    withdrawn = [reopened.window_id] if reopened and reopened.window_id else []
    for order in Order.objects.filter(pk__in=orders):
        filling.settle_windows(order, dates, by=by, reopened=withdrawn)


def _look_again(
    treatment: TreatmentSession,
    *,
    by: Person,
    outside: list[str],
    signed_before: bool,
    known: tuple[str, ...],
    now: datetime,
) -> None:
    """After an amendment: what the new content calls for."""
    if outside:
        alerts.outside_rules_flag(treatment, by=by, reasons=outside, at=now, source="web")
    alerts.overlap_check(treatment, by=by, at=now)
    alerts.forced_test_flag(treatment, by=by, at=now)
    if treatment.needs_signature and signed_before:
        alerts.ask_for_signature(treatment, by=by, at=now)
    findings.follow_up(treatment, by=by, at=now, source="web", known=known)


def _audit(action: str, by: Person, treatment: TreatmentSession, source: str) -> None:
    audit.record(
        action=action,
        by=by,
        subject=treatment,
        patient=treatment.patient_id,
        source=source,
        device=treatment.device,
    )
