"""What needs attention, and what a person was told and has not read."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet
from django.urls import NoReverseMatch, reverse
from django.utils import timezone

from clinic.access import patients_visible_to
from clinic.attention.models import Flag, FlagKind, FlagState, Notice
from clinic.staff.models import Person
from clinic.staff.roles import CLINICAL, Role


def flags_visible_to(person: Person) -> QuerySet[Flag]:
    """Every flag that this person may see, open or closed."""
    flags = Flag.objects.select_related("patient__identity", "patient__unit", "owner")
    if not person.is_active:
        return flags.none()
    if person.role == Role.LEAD:
        return flags
    if person.role == Role.THERAPIST:
        return flags.filter(
            Q(owner=person, patient__isnull=True) | Q(patient__in=patients_visible_to(person).values("pk"))
        )
    return flags.filter(owner=person, patient__isnull=True)


def open_flags(person: Person, *, now: datetime | None = None) -> QuerySet[Flag]:
    """What needs this person's attention now, the earliest due first.

    The lead sees everybody's; others their own, and those without owner of patients they may open.
    What was put off comes back at its time.
    """
    flags = flags_visible_to(person).filter(_open(now)).order_by("due_at", "id")
    if person.role == Role.LEAD:
        return flags
    return flags.filter(Q(owner=person) | Q(owner__isnull=True))


def put_off_flags(person: Person, *, now: datetime | None = None) -> QuerySet[Flag]:
    """What was put off and has not come back yet, the first to come back first."""
    flags = flags_visible_to(person).filter(state=FlagState.PUT_OFF, put_off_until__gt=now or timezone.now())
    if person.role != Role.LEAD:
        flags = flags.filter(Q(owner=person) | Q(owner__isnull=True))
    return flags.order_by("put_off_until", "id")


def open_flags_of(person: Person, patient_id: Any, *, now: datetime | None = None) -> QuerySet[Flag]:
    """The open flags of one patient, whoever owns them, the earliest due first."""
    return flags_visible_to(person).filter(_open(now), patient_id=patient_id).order_by("due_at", "id")


def flag(person: Person, flag_id: Any) -> Flag | None:
    """One flag, or None where this person may not see it."""
    return flags_visible_to(person).filter(pk=flag_id).first()


def notices(person: Person) -> QuerySet[Notice]:
    """Everything this person was told, the newest first, with the answers."""
    return (
        Notice.objects.filter(to=person)
        .select_related("by", "patient__identity", "patient__unit", "answer")
        .order_by("-at", "-id")
    )


def unread_notices(person: Person) -> QuerySet[Notice]:
    """What this person was told and has not marked as read; patients only where he may open them now."""
    if person.role not in CLINICAL:
        return notices(person).filter(answer__isnull=True, patient__isnull=True)
    return notices(person).filter(
        Q(patient__isnull=True) | Q(patient__in=patients_visible_to(person).values("pk")),
        answer__isnull=True,
    )


# Where each kind is dealt with: the words, the URL name, and whether it takes the patient or the record it is about.
_WAYS: dict[tuple[str, str], tuple[str, str, str]] = {
    (FlagKind.REASSESS, ""): ("Reassess", "reassessment-new", "patient"),
    (FlagKind.CO_SIGN, "screening.lift"): ("Read and sign the lift", "lift", "subject"),
    (FlagKind.DECIDE, ""): ("Open the hold", "patient-holds", "patient"),
    (FlagKind.SCREEN_AGAIN, ""): ("Screen again", "screening-new", "patient"),
    (FlagKind.RECHECK, "therapy.treatmentstop"): ("Open the stop page", "stop", "subject"),
    (FlagKind.CO_SIGN, "therapy.order"): ("Open the order", "order", "subject"),
    (FlagKind.CO_SIGN, "therapy.treatmentsession"): ("Open the treatment", "treatment", "subject"),
    (FlagKind.OUTSIDE_RULES, "therapy.treatmentsession"): ("Open the treatment", "treatment", "subject"),
    (FlagKind.OVERLAP, "therapy.treatmentsession"): ("Open the treatment", "treatment", "subject"),
    (FlagKind.CHECK_ENTRY, "therapy.treatmentsession"): ("Open the treatment", "treatment", "subject"),
    (FlagKind.SAFETY, "therapy.treatmentsession"): ("Open the treatment", "treatment", "subject"),
    (FlagKind.CHECK_ENTRY, "clinic.patient"): ("Open the record", "patient-record", "subject"),
    (FlagKind.JOB_FAILED, "clinic.jobrun"): ("Open the job", "job", "subject"),
    (FlagKind.CONCERN, "clinic.safetyconcern"): ("Read and answer", "safety-concern", "subject"),
}


@dataclass(frozen=True)
class Way:
    """Where a flag is dealt with."""

    words: str
    address: str


def way(of: Flag) -> Way | None:
    """The page on which a flag is dealt with; None where there is none."""
    found = _WAYS.get((of.kind, "")) or _WAYS.get((of.kind, of.subject_type))
    if found is None:
        return None
    words, name, takes = found
    wanted = of.patient_id if takes == "patient" else of.subject_id
    try:
        return Way(words, reverse(name, args=[wanted])) if wanted else None
    except NoReverseMatch:
        return None


def _open(now: datetime | None) -> Q:
    return Q(state=FlagState.OPEN) | Q(state=FlagState.PUT_OFF, put_off_until__lte=now or timezone.now())
