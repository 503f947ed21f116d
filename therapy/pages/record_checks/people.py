"""Patients, referrals, who treats whom and who may look: what must stay true."""

from collections.abc import Iterable

from django.db.models import Exists, F, OuterRef, Q
from django.utils import timezone

from clinic.models import AccessGrant, Assignment, Patient, PatientIdentity, Referral
from clinic.patients.rules import folded
from therapy.models import Order
from therapy.pages.record_checks.registry import Finding, found, holds

_GONE = ("discharged", "died")


@holds("every patient has an identity, whose birth year and folded name agree with it")
def identities_agree() -> Iterable[Finding]:
    for row in Patient.objects.filter(identity__isnull=True):
        yield found(row, "has no identity")
    for identity in PatientIdentity.objects.select_related("patient").iterator():
        if identity.birth_date.year != identity.patient.birth_year:
            yield found(identity, f"birth year {identity.patient.birth_year} is not that of the birth date")
        if identity.name_sound != folded(identity.family_name):
            yield found(identity, "the folded name is not that of the family name")


@holds("a patient who has left has no assignment, order or access in force")
def nothing_is_in_force_after_leaving() -> Iterable[Finding]:
    now = timezone.now()
    gone = Q(patient__state__in=_GONE)
    for row in Assignment.objects.filter(gone, ended_at__isnull=True):
        yield found(row, "is in force for a patient who has left")
    for order in Order.objects.filter(gone, ended_at__isnull=True, draft=False):
        yield found(order, "is in force for a patient who has left")
    running = Q(until_at__isnull=True) | Q(until_at__gt=now)
    for grant in AccessGrant.objects.filter(running, gone).exclude(why="emergency"):
        yield found(grant, "still opens the record of a patient who has left")


@holds("the assigned therapist may open the patient's record")
def the_assigned_therapist_has_access() -> Iterable[Finding]:
    now = timezone.now()
    granted = AccessGrant.objects.filter(
        Q(until_at__isnull=True) | Q(until_at__gt=now),
        patient=OuterRef("patient"),
        person=OuterRef("therapist"),
    )
    rows = Assignment.objects.filter(ended_at__isnull=True, patient__entered_in_error=False)
    for row in rows.exclude(Exists(granted)).exclude(therapist__role="lead"):
        yield found(row, "the therapist has no access")


@holds("emergency access has a reason and an end")
def emergency_access_ends() -> Iterable[Finding]:
    for row in AccessGrant.objects.filter(why="emergency").filter(Q(reason="") | Q(until_at__isnull=True)):
        yield found(row, "has no reason or no end")


@holds("access ends after it begins")
def access_ends_after_it_begins() -> Iterable[Finding]:
    for row in AccessGrant.objects.filter(until_at__lt=F("from_at")):
        yield found(row, "ends before it begins")


@holds("a referral's times follow each other, and what was decided says by whom, when and why")
def referrals_are_whole() -> Iterable[Finding]:
    rows = Referral.objects.filter(entered_in_error=False)
    for row in rows.filter(triaged_at__lt=F("received_at")):
        yield found(row, "was triaged before it came in")
    for row in rows.filter(first_treated_at__lt=F("first_seen_at")):
        yield found(row, "was treated before it was seen")
    for row in rows.exclude(outcome="waiting").filter(
        Q(triaged_at__isnull=True) | Q(triaged_by__isnull=True)
    ):
        yield found(row, f"is {row.outcome} without time or author")
    for row in rows.filter(outcome="waiting", triaged_at__isnull=False):
        yield found(row, "is triaged, but waits")
    for row in rows.filter(
        outcome__in=("not_indicated", "redirected", "more_information"), outcome_reason=""
    ):
        yield found(row, f"is {row.outcome} without a reason")
    for row in rows.filter(outcome="duplicate", duplicate_of__isnull=True):
        yield found(row, "is a duplicate of nothing")
