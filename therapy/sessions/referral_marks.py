"""Keeps on the referral when the patient was first seen and first treated, as the stored treatments say."""

from datetime import datetime

from clinic import records
from clinic.models import Patient, Person
from clinic.referrals.models import Referral, ReferralOutcome
from therapy.sessions.models import Delivered, TreatmentSession


def mark_referral(patient: Patient, *, by: Person) -> None:
    """Bring first seen and first treated of the accepted referral in force to the earliest treatment since it came.

    A treatment that arrives late moves them back, one that was entered in error and struck moves them on. What
    somebody saw earlier than the first treatment stays.
    """
    referral = (
        Referral.objects.filter(patient=patient, outcome=ReferralOutcome.ACCEPTED, entered_in_error=False)
        .order_by("-received_at", "-id")
        .first()
    )
    if referral is None:
        return
    first = (
        TreatmentSession.objects.filter(
            patient=patient, entered_in_error=False, started_at__gte=referral.received_at
        )
        .exclude(delivered=Delivered.NOT_DELIVERED)
        .order_by("started_at", "id")
        .values_list("started_at", flat=True)
        .first()
    )
    changes = {"first_treated_at": first, "first_seen_at": _seen(referral, first)}
    records.amend(
        referral,
        by=by,
        reason="first treatment",
        changes=changes,
        expect_version=referral.version,
        patient=patient.pk,
    )


def _seen(referral: Referral, first_treated: datetime | None) -> datetime | None:
    seen = referral.first_seen_at
    if seen is not None and seen == referral.first_treated_at:
        # It was the treatment that counted as seeing the patient.
        return first_treated
    return min((each for each in (seen, first_treated) if each is not None), default=None)
