"""Reads who treats whom, who covers, and who is not covered."""

from collections.abc import Collection, Iterable
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from clinic.access import Role, patients_visible_to
from clinic.assignments.models import AccessGrant, Assignment, GrantReason
from clinic.assignments.services import HANDOVER
from clinic.attention.models import Notice
from clinic.patients.models import Patient, PatientState
from clinic.staff.models import Person


def current(patient_ids: Iterable[UUID]) -> dict[UUID, Person]:
    """The assigned therapist of each patient, in one query."""
    rows = Assignment.objects.filter(patient__in=list(patient_ids), ended_at__isnull=True)
    return {row.patient_id: row.therapist for row in rows.select_related("therapist")}


def history(patient_id: Any) -> QuerySet[Assignment]:
    """Every assignment of a patient, the newest first."""
    return (
        Assignment.objects.filter(patient_id=patient_id)
        .select_related("therapist", "by")
        .order_by("-started_at", "-pk")
    )


def access_to(patient_id: Any) -> QuerySet[AccessGrant]:
    """Who may open a patient's record now and why."""
    now = timezone.now()
    return (
        AccessGrant.objects.filter(Q(until_at__isnull=True) | Q(until_at__gt=now), patient_id=patient_id)
        .select_related("person", "by")
        .order_by("from_at", "pk")
    )


def who_may_open(patient_id: Any, *, besides: Person) -> QuerySet[Person]:
    """To whom a hand-over note about a patient may go: the leads, and whoever has access now."""
    now = timezone.now()
    grants = AccessGrant.objects.filter(Q(until_at__isnull=True) | Q(until_at__gt=now), patient_id=patient_id)
    people: QuerySet[Person] = Person.objects.filter(
        Q(role=Role.LEAD) | Q(role=Role.THERAPIST, pk__in=grants.values("person_id")), is_active=True
    ).exclude(pk=besides.pk)
    return people.order_by("family_name", "given_name", "pk")


def patients_of(therapist: Person) -> QuerySet[Patient]:
    """The patients a therapist owns, with identity and unit."""
    return (
        Patient.objects.filter(
            assignments__therapist=therapist, assignments__ended_at__isnull=True, entered_in_error=False
        )
        .select_related("identity", "unit")
        .order_by("identity__name_sound", "identity__given_name", "pk")
    )


def handovers(patient_id: Any) -> QuerySet[Notice]:
    """The hand-over notes about a patient, the newest first, with the answers."""
    return (
        Notice.objects.filter(patient_id=patient_id, kind=HANDOVER)
        .select_related("by", "to", "answer")
        .order_by("-at", "-pk")[:20]
    )


def covering(patient_ids: Iterable[UUID], *, at: datetime) -> dict[UUID, list[int]]:
    """Who covers each patient at a time, present or not, whoever was asked last first; in one query."""
    found: dict[UUID, list[int]] = {}
    rows = _covering(at).filter(patient__in=list(patient_ids)).order_by("-from_at", "-pk")
    for patient_id, person_id in rows.values_list("patient_id", "person_id"):
        found.setdefault(patient_id, []).append(person_id)
    return found


def who_looks_after(patient_id: Any, *, at: datetime) -> list[Person]:
    """Who must know of what is new: the assigned therapist, whoever covers, and whoever is to treat on this day.

    Each once, those with an open account; one query.
    """
    until = timezone.localtime(at).replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    owns = Assignment.objects.filter(patient_id=patient_id, ended_at__isnull=True)
    stands_in = AccessGrant.objects.filter(
        patient_id=patient_id,
        why__in=(GrantReason.COVERING, GrantReason.SCHEDULED),
        from_at__lt=until,
        until_at__gt=at,
    )
    people: QuerySet[Person] = Person.objects.filter(
        Q(pk__in=owns.values("therapist_id")) | Q(pk__in=stands_in.values("person_id")), is_active=True
    )
    return list(people.order_by("pk"))


def treating(patient_ids: Iterable[UUID], *, at: datetime, there: Collection[int]) -> dict[UUID, int]:
    """Who is to treat each patient at a time: the assigned therapist, else whoever covers and is there.

    The assigned therapist who is there treats, also while a covering still runs; where nobody is there the
    patient stays with the assigned therapist, for the lead to share out. Two queries.

    Args:
        there: who is present, by id.
    """
    ids = list(patient_ids)
    found = dict(
        Assignment.objects.filter(patient__in=ids, ended_at__isnull=True).values_list(
            "patient_id", "therapist_id"
        )
    )
    for patient_id, people in covering(ids, at=at).items():
        stands_in = next((one for one in people if one in there), None)
        if stands_in is not None and found.get(patient_id) not in there:
            found[patient_id] = stands_in
    return found


def _covering(at: datetime) -> QuerySet[AccessGrant]:
    return AccessGrant.objects.filter(
        why=GrantReason.COVERING, from_at__lte=at, until_at__gt=at, person__is_active=True
    )


def not_covered(
    person: Person, *, at: datetime, there: Collection[int], owner_id: int | None = None
) -> QuerySet[Assignment]:
    """Assignments to whoever is not there, whose patient is on the caseload and whom nobody who is there covers.

    Also of those who will not be there again: a closed account, or one that no longer treats. With patient,
    identity, unit and therapist; by therapist, then by the patient's name.

    Args:
        there: who is present, by id: whoever covers and is away too covers nobody.
        owner_id: only of this therapist.
    """
    covered = _covering(at).filter(person__in=list(there))
    owners = {} if owner_id is None else {"therapist": owner_id}
    return (
        Assignment.objects.filter(
            ended_at__isnull=True,
            patient__state=PatientState.ACTIVE,
            patient__in=patients_visible_to(person).values("pk"),
            **owners,
        )
        .exclude(therapist__in=list(there))
        .exclude(patient__in=covered.values("patient_id"))
        .select_related("patient__identity", "patient__unit", "therapist")
        .order_by("therapist__family_name", "therapist_id", "patient__identity__name_sound", "pk")
    )


def without_therapist(person: Person) -> QuerySet[Patient]:
    """Patients on the caseload whom nobody owns, with identity and unit."""
    owned = Assignment.objects.filter(patient=OuterRef("pk"), ended_at__isnull=True)
    return (
        patients_visible_to(person)
        .filter(~Exists(owned), state=PatientState.ACTIVE)
        .select_related("identity", "unit")
        .order_by("identity__name_sound", "identity__given_name", "pk")
    )
