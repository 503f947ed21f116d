"""Reads lifts: those that count for the guard, and those of a patient for the pages."""

import datetime as dt
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Q
from django.http import Http404

from clinic.access import CLINICAL, patients_visible_to
from clinic.staff.models import Person
from screening.lifts import rules
from screening.lifts.models import Lift, LiftSignature, SignaturePart
from screening.lifts.names import names


def counting(patients: Collection[UUID], earliest: dt.datetime) -> dict[UUID, list[rules.Lift]]:
    """Each patient's lifts with both signatures that still counted at `earliest` or later; one query."""
    rows = (
        LiftSignature.objects.filter(
            Q(lift__ended_at__isnull=True) | Q(lift__ended_at__gt=earliest),
            lift__patient_id__in=patients,
            lift__expires_at__gt=earliest,
        )
        .select_related("lift", "by")
        .order_by("lift_id", "id")
    )
    signed: dict[UUID, dict[str, LiftSignature]] = defaultdict(dict)
    for row in rows:
        signed[row.lift_id][row.part] = row
    found: dict[UUID, list[rules.Lift]] = defaultdict(list)
    for both in signed.values():
        if len(both) == len(SignaturePart):
            lift = both[SignaturePart.SECOND].lift
            found[lift.patient_id].append(given(lift, both))
    return found


def given(lift: Lift, both: dict[str, LiftSignature]) -> rules.Lift:
    """A lift with both signatures as the engine and the pages need it."""
    return rules.Lift(
        id=str(lift.pk),
        condition=lift.condition,
        technique=lift.technique,
        answer=lift.answer,
        counts_from=max(one.at for one in both.values()),
        expires_at=lift.expires_at,
        ended_at=lift.ended_at,
        prescriber=lift.prescriber,
        second=str(both[SignaturePart.SECOND].by),
    )


@dataclass(frozen=True)
class LiftRow:
    """A lift with its signatures, and what is the matter with it at a time."""

    lift: Lift
    prescriber: LiftSignature | None
    second: LiftSignature | None
    at: dt.datetime

    @property
    def signed(self) -> bool:
        return self.prescriber is not None and self.second is not None

    @property
    def over(self) -> bool:
        return self.lift.ended_at is not None or self.lift.expires_at <= self.at

    @property
    def counts(self) -> bool:
        """Both signed, and neither ended nor run out. Whether the answer is still the same says the guard."""
        return self.signed and not self.over

    @property
    def waits(self) -> bool:
        """A signature is wanting, and it may still be given."""
        return not self.signed and not self.over

    @property
    def waits_for(self) -> str:
        """Whose signature is wanting, in words."""
        wanted = []
        if self.prescriber is None:
            wanted.append(self.lift.prescriber)
        if self.second is None:
            wanted.append("a second licensed clinician")
        return " and ".join(wanted)


def row_of(lift: Lift, at: dt.datetime) -> LiftRow:
    """One lift with its signatures, prefetched or read now."""
    by_part = {one.part: one for one in lift.signatures.all()}
    return LiftRow(lift, by_part.get(SignaturePart.PRESCRIBER), by_part.get(SignaturePart.SECOND), at)


def of_patient(patient_id: UUID, at: dt.datetime) -> list[LiftRow]:
    """Every lift of a patient, the newest first."""
    rows = (
        Lift.objects.filter(patient_id=patient_id)
        .select_related("by", "ended_by")
        .prefetch_related("signatures__by")
        .order_by("-created_at", "id")
    )
    return [row_of(one, at) for one in rows]


def visible_lift(person: Person, lift_id: UUID) -> Lift:
    """One lift. Raises: Http404 where it is not there, or of a patient whom this person may not open."""
    lift = (
        Lift.objects.filter(pk=lift_id, patient__in=patients_visible_to(person))
        .select_related("patient", "by", "prescriber_account", "ended_by")
        .prefetch_related("signatures__by")
        .first()
    )
    if lift is None:
        raise Http404
    return lift


def licensed_people() -> list[Person]:
    """Who may sign: every open account of a licensed clinician."""
    people = Person.objects.filter(is_active=True, licensed=True, role__in=CLINICAL)
    return list(people.order_by("family_name", "given_name", "id"))


def signing(person: Person, row: LiftRow) -> tuple[SignaturePart | None, str]:
    """As whom a person would sign a lift; None with the reason where this person may not."""
    lift = row.lift
    if any(one is not None and one.by_id == person.pk for one in (row.prescriber, row.second)):
        return None, "Somebody else must sign: the two signatures are two people's"
    if lift.prescriber_account_id == person.pk:
        return SignaturePart.PRESCRIBER, ""
    if row.second is not None:
        return None, f"The second signature is there. It waits for {row.waits_for}"
    if lift.prescriber_account_id is None and names(lift.prescriber, person.given_name, person.family_name):
        return None, "Somebody else must sign: the prescriber named is you"
    return SignaturePart.SECOND, ""
