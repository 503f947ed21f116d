"""Writes referrals: received, decided, first seen, first treated."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from clinic import records
from clinic.access import CLINICAL, NotPermitted, Role, patients_visible_to, require
from clinic.attention import services as attention
from clinic.audit import services as audit
from clinic.patients import rules as identities
from clinic.patients import services as patients
from clinic.patients.models import DiagnosisGroup, Patient, PatientIdentity, PatientState
from clinic.records import Refused
from clinic.referrals.models import Referral, ReferralOutcome, ReferralSource, Urgency
from clinic.staff.models import Person

OPEN = (ReferralOutcome.WAITING, ReferralOutcome.MORE_INFORMATION)
WANTS_REASON = (ReferralOutcome.NOT_INDICATED, ReferralOutcome.REDIRECTED, ReferralOutcome.MORE_INFORMATION)
REFERRAL_FIELDS = ("urgency", "reason", "referrer", "referrer_phone", "diagnosis_group", "diagnosis")


@transaction.atomic
def receive(
    patient: Patient, *, by: Person, source: str, received_at: datetime | None = None, **fields: Any
) -> Referral:
    """Take a referral of a patient who is registered.

    Args:
        fields: urgency, reason, referrer, and optionally referrer_phone, diagnosis_group, diagnosis.
    Raises: NotPermitted; Refused by the field.
    """
    require(by, *CLINICAL)
    now = timezone.now()
    received_at = received_at or now
    _check(fields, source=source, received_at=received_at, now=now)
    if Patient.objects.get(pk=patient.pk).state == PatientState.DIED:
        raise Refused("patient", "The patient has died.")
    referral = Referral.objects.create(
        patient=patient, source=source, received_at=received_at, entered_by=by, **fields
    )
    audit.record(action="referral received", by=by, subject=referral, patient=patient)
    attention.tell_leads(
        kind="referral",
        by=by,
        patient=patient,
        words=f"New referral, {referral.get_urgency_display().lower()}.",
    )
    return referral


@transaction.atomic
def take_by_telephone(
    *,
    by: Person,
    identity: Mapping[str, Any],
    details: Mapping[str, Any],
    referral: Mapping[str, Any],
    not_the_same_reason: str = "",
) -> Referral:
    """Take a referral by telephone: finds the patient by number, birth date and name, or registers one.

    Raises: NotPermitted; Refused; patients.NumberInUse where the number is another person's;
    patients.LikelyDuplicate.
    """
    require(by, *CLINICAL)
    patient = _patient_of(identity)
    if patient is None:
        patient = patients.register_patient(
            by=by, not_the_same_reason=not_the_same_reason, **identity, **details
        )
    return receive(patient, by=by, source=ReferralSource.TELEPHONE, **referral)


def _patient_of(identity: Mapping[str, Any]) -> Patient | None:
    holder = (
        PatientIdentity.objects.select_related("patient")
        .filter(record_number=identity["record_number"].strip())
        .first()
    )
    if holder is None:
        return None
    if not is_same_person(holder, identity["family_name"], identity["given_name"], identity["birth_date"]):
        raise patients.NumberInUse(holder)
    return holder.patient


def is_same_person(holder: PatientIdentity, family_name: str, given_name: str, birth_date: Any) -> bool:
    """Whether birth date and a name agree with whoever holds the record number; each may carry one slip."""
    same_family = identities.close(holder.name_sound, identities.folded(family_name)[:80])
    same_given = identities.close(identities.folded(holder.given_name), identities.folded(given_name))
    return holder.birth_date == birth_date and same_family and same_given


@transaction.atomic
def decide(
    referral: Referral,
    *,
    by: Person,
    outcome: str,
    expect_version: int,
    reason: str = "",
    duplicate_of: Referral | None = None,
) -> Referral:
    """End a referral, or ask for more. A decision may be changed with a reason; the earlier one stays readable.

    Accepted: the patient comes on the caseload. Not indicated, redirected or duplicate: a patient who was only
    referred leaves it, where no other referral is open.
    Raises: NotPermitted unless the lead; Refused; records.Changed.
    """
    require(by, Role.LEAD)
    if outcome not in ReferralOutcome.values or outcome == ReferralOutcome.WAITING:
        raise Refused("outcome", "Choose the outcome")
    if outcome in WANTS_REASON and not reason.strip():
        raise Refused("reason", "Enter the reason")
    if referral.outcome not in OPEN and referral.outcome != outcome and not reason.strip():
        raise Refused("reason", "Enter why the outcome changes")
    if outcome == ReferralOutcome.DUPLICATE:
        _check_duplicate(referral, duplicate_of)
    changes: dict[str, Any] = {
        "outcome": outcome,
        "outcome_reason": reason.strip(),
        "duplicate_of": duplicate_of if outcome == ReferralOutcome.DUPLICATE else None,
    }
    if referral.triaged_at is None:
        changes |= {"triaged_at": timezone.now(), "triaged_by": by}
    why = reason.strip() or ReferralOutcome(outcome).label
    decided = records.amend(referral, by=by, reason=why, changes=changes, expect_version=expect_version)
    _follow(decided, by=by, why=why)
    return decided


def _check_duplicate(referral: Referral, duplicate_of: Referral | None) -> None:
    if duplicate_of is None:
        raise Refused("duplicate_of", "Choose the referral of which this is a duplicate")
    if duplicate_of.pk == referral.pk or duplicate_of.patient_id != referral.patient_id:
        raise Refused("duplicate_of", "Choose another referral of the same patient")
    if duplicate_of.outcome == ReferralOutcome.DUPLICATE:
        raise Refused("duplicate_of", "That one is marked as a duplicate itself")


def _follow(decided: Referral, *, by: Person, why: str) -> None:
    patient = Patient.objects.get(pk=decided.patient_id)
    if decided.outcome == ReferralOutcome.ACCEPTED:
        patients.activate(patient, by=by, reason="referral accepted")
        return
    live = Q(outcome__in=OPEN) | Q(outcome=ReferralOutcome.ACCEPTED)
    only_referred = patient.state == PatientState.REFERRED
    if only_referred and decided.outcome not in OPEN and not patient.referrals.filter(live).exists():
        patients.discharge(patient, by=by, reason=why)


@transaction.atomic
def amend(
    referral: Referral, *, by: Person, reason: str, changes: Mapping[str, Any], expect_version: int
) -> Referral:
    """Correct what was written down; urgency too. Raises: NotPermitted; Refused; records.Changed."""
    require(by, *CLINICAL)
    if not patients_visible_to(by).filter(pk=referral.patient_id).exists():
        raise NotPermitted("Only whoever treats the patient, and the lead.")
    if unknown := set(changes) - set(REFERRAL_FIELDS):
        raise Refused(min(unknown), "This is not changed here.")
    merged = {name: changes.get(name, getattr(referral, name)) for name in REFERRAL_FIELDS}
    _check(merged, source=referral.source, received_at=referral.received_at, now=timezone.now())
    return records.amend(referral, by=by, reason=reason, changes=changes, expect_version=expect_version)


@transaction.atomic
def mark_first_seen(patient: Patient, *, at: datetime, by: Person) -> int:
    """Note when somebody first saw a patient, on the accepted referrals that have no earlier time.

    Called by the screening; a treatment notes itself (therapy/sessions/referral_marks.py).
    Returns: how many referrals it was noted on.
    """
    require(by, *CLINICAL)
    rows = list(
        Referral.objects.filter(
            Q(first_seen_at__isnull=True) | Q(first_seen_at__gt=at),
            patient=patient,
            outcome=ReferralOutcome.ACCEPTED,
            received_at__lte=at,
            entered_in_error=False,
        ).order_by("pk")
    )
    for row in rows:
        records.amend(
            row, by=by, reason="first seen", changes={"first_seen_at": at}, expect_version=row.version
        )
    return len(rows)


def _check(fields: Mapping[str, Any], *, source: str, received_at: datetime, now: datetime) -> None:
    if unknown := set(fields) - set(REFERRAL_FIELDS):
        raise Refused(min(unknown), "This is no part of a referral.")
    if source not in ReferralSource.values:
        raise Refused("source", "Choose how the referral came in")
    if fields.get("urgency") not in Urgency.values:
        raise Refused("urgency", "Choose the urgency")
    for name, words in (("reason", "reason"), ("referrer", "name of the referrer")):
        if not str(fields.get(name, "")).strip():
            raise Refused(name, f"Enter the {words}")
    if fields.get("diagnosis_group", DiagnosisGroup.OTHER) not in DiagnosisGroup.values:
        raise Refused("diagnosis_group", "Choose the diagnosis group")
    for name in REFERRAL_FIELDS:
        longest = getattr(Referral._meta.get_field(name), "max_length", None)
        if longest and len(str(fields.get(name, ""))) > longest:
            raise Refused(name, f"This must be {longest} characters or fewer")
    if received_at > now:
        raise Refused("received_at", "The referral must have been received now or in the past")
