"""Reads referrals: what waits, by urgency and how long."""

from datetime import datetime
from typing import Any

from django.db.models import Case, Exists, IntegerField, OuterRef, QuerySet, Value, When
from django.http import Http404

from clinic.access import patients_visible_to
from clinic.assignments.models import Assignment
from clinic.referrals.models import Referral, ReferralImport, ReferralOutcome, Urgency
from clinic.staff.models import Person
from clinic.staff.roles import Role

OPEN = (ReferralOutcome.WAITING, ReferralOutcome.MORE_INFORMATION)
BY_URGENCY = ("urgency_rank", "received_at", "pk")
RANKS = {Urgency.URGENT: 0, Urgency.SOON: 1, Urgency.ROUTINE: 2}


def visible_to(person: Person) -> QuerySet[Referral]:
    """The referrals of the patients this person may open, with patient, identity and unit."""
    return Referral.objects.filter(
        patient__in=patients_visible_to(person).values("pk"), entered_in_error=False
    ).select_related("patient__identity", "patient__unit", "triaged_by", "entered_by")


def open_referrals(person: Person) -> QuerySet[Referral]:
    """What waits for a decision, urgent first, the longest waiting first within it."""
    return _ranked(visible_to(person).filter(outcome__in=OPEN))


def with_outcome(person: Person, outcome: str) -> QuerySet[Referral]:
    """Referrals with one outcome, in the same order."""
    return _ranked(visible_to(person).filter(outcome=outcome))


def _ranked(rows: QuerySet[Referral]) -> QuerySet[Referral]:
    ranks = [When(urgency=urgency, then=Value(rank)) for urgency, rank in RANKS.items()]
    return rows.annotate(urgency_rank=Case(*ranks, default=Value(9), output_field=IntegerField())).order_by(
        *BY_URGENCY
    )


def unassigned(person: Person) -> QuerySet[Referral]:
    """Open and accepted referrals of patients who have no therapist and have not left, urgent first."""
    return _ranked(
        visible_to(person)
        .filter(outcome__in=(*OPEN, ReferralOutcome.ACCEPTED), patient__state__in=("referred", "active"))
        .exclude(Exists(Assignment.objects.filter(patient=OuterRef("patient"), ended_at__isnull=True)))
    )


def referral(person: Person, referral_id: Any) -> Referral:
    """One referral. Raises: Http404 where this person may not see it."""
    found = visible_to(person).select_related("duplicate_of").filter(pk=referral_id).first()
    if found is None:
        raise Http404
    return found


def of_patient(patient_id: Any) -> QuerySet[Referral]:
    """The referrals of a patient who may be opened, the newest first."""
    return Referral.objects.filter(patient_id=patient_id, entered_in_error=False).order_by(
        "-received_at", "-pk"
    )


def others_of(row: Referral) -> QuerySet[Referral]:
    """The other referrals of the same patient, of which it may be a duplicate."""
    return of_patient(row.patient_id).exclude(pk=row.pk).exclude(outcome=ReferralOutcome.DUPLICATE)


def waiting(row: Referral, now: datetime) -> Any:
    """How long a referral has waited, until it was decided or until now."""
    end = row.triaged_at if row.triaged_at and row.outcome not in OPEN else now
    return max(end, row.received_at) - row.received_at


def imports(person: Person) -> QuerySet[ReferralImport]:
    """Uploaded files, the newest first; for the lead only."""
    rows = ReferralImport.objects.select_related("uploaded_by", "job").order_by("-uploaded_at", "-pk")
    return rows if person.role == Role.LEAD and person.is_active else rows.none()
