"""Reads patients for display: the banner, lists with similar-name marks, search, what is in force."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet
from django.http import Http404
from django.urls import NoReverseMatch, reverse
from django.utils import timezone

from clinic import formats
from clinic.access import Role, patients_visible_to
from clinic.banner import PatientBanner
from clinic.patients import rules
from clinic.patients.models import (
    CareSettingChange,
    GoalOfCare,
    Isolation,
    IsolationNote,
    Patient,
    PatientIdentity,
    PatientState,
    SpO2Target,
)
from clinic.staff.models import Person

NAME_ORDER = ("identity__name_sound", "identity__given_name", "pk")
MOST_DUPLICATES = 10
Sign = tuple[str, str]


def patients(person: Person) -> QuerySet[Patient]:
    """The patients this person may open, with identity and unit."""
    return patients_visible_to(person).select_related("identity", "unit")


def on_the_caseload(person: Person) -> QuerySet[Patient]:
    """Who is treated or waits for it."""
    return patients(person).filter(state__in=(PatientState.REFERRED, PatientState.ACTIVE))


def left(person: Person) -> QuerySet[Patient]:
    """Who was discharged or died."""
    return patients(person).filter(state__in=(PatientState.DISCHARGED, PatientState.DIED))


def patient(person: Person, patient_id: Any) -> Patient:
    """One patient with identity and unit. Raises: Http404 where this person may not open it."""
    found = patients(person).filter(pk=patient_id).first()
    if found is None:
        raise Http404
    return found


def search(person: Person, words: str) -> QuerySet[Patient]:
    """Find by the beginning of the family or given name, `family, given`, or the beginning of a number."""
    found = patients(person)
    for part in words.replace(",", " ").split():
        plain = rules.folded(part)
        match = Q(identity__given_name__istartswith=part)
        if plain:
            match |= Q(identity__name_sound__startswith=plain)
        if any(letter.isdigit() for letter in part):
            match |= Q(identity__record_number__istartswith=part)
        found = found.filter(match)
    number = words.replace(" ", "")
    if number.isascii() and number.isdigit():
        # A number is typed in groups: 204 118 553. Stored without spaces, or as it was written.
        found = patients(person).filter(
            Q(identity__record_number__startswith=number)
            | Q(identity__record_number__startswith=words.strip())
            | Q(identity__national_number__startswith=number)
        )
    return found


def by_number_and_birth_date(record_number: str, birth_date: date) -> Patient | None:
    """The patient with exactly this number and birth date, whoever asks: for emergency access only."""
    wanted = record_number.strip()
    return (
        Patient.objects.select_related("identity", "unit")
        .filter(
            Q(identity__record_number=wanted) | Q(identity__record_number=wanted.replace(" ", "")),
            identity__birth_date=birth_date,
            entered_in_error=False,
        )
        .first()
    )


def banner(of: Patient, *, on: date | None = None) -> PatientBanner:
    """The identity banner of a single-patient page. Two queries at most where identity and unit are loaded."""
    identity = of.identity
    signs = [*state_signs(of), *signs_in_force([of.pk]).get(of.pk, ())]
    return PatientBanner.of(
        family=identity.family_name,
        given=identity.given_name,
        title=identity.title,
        preferred_name=identity.preferred_name,
        birth_date=identity.birth_date,
        gender=of.get_sex_display(),
        number=identity.record_number,
        on=on or timezone.localdate(),
        place=place(of),
        signs=tuple(signs),
        patient_id=of.pk,
    )


def address(patient_id: UUID) -> str:
    """Where a list leads to: the patient's page, or the record where the clinic runs without it."""
    try:
        return reverse("patient", args=[patient_id])
    except NoReverseMatch:
        return reverse("patient-record", args=[patient_id])


def place(of: Patient) -> str:
    """Unit and room in words; empty where neither is recorded."""
    parts = [of.unit.name if of.unit else "", f"room {of.room}" if of.room else ""]
    return ", ".join(part for part in parts if part)


def state_signs(of: Patient) -> list[Sign]:
    """A sign where the patient is not on the caseload."""
    if of.state == PatientState.ACTIVE:
        return []
    return [(PatientState(of.state).label.capitalize(), "plain")]


def signs_in_force(patient_ids: Iterable[UUID]) -> dict[UUID, tuple[Sign, ...]]:
    """Isolation and comfort care of several patients, in two queries."""
    ids = list(patient_ids)
    signs: dict[UUID, tuple[Sign, ...]] = {}
    notes = IsolationNote.objects.filter(patient__in=ids, ended_at__isnull=True).exclude(
        kind=Isolation.STANDARD
    )
    for note in notes:
        signs[note.patient_id] = (*signs.get(note.patient_id, ()), (isolation_words(note), "look"))
    comfort = GoalOfCare.objects.filter(patient__in=ids, ended_at__isnull=True, comfort_only=True)
    for patient_id in comfort.values_list("patient_id", flat=True):
        signs[patient_id] = (*signs.get(patient_id, ()), ("Comfort care", "look"))
    return signs


def isolation_words(note: IsolationNote) -> str:
    """`Contact precautions: gown, gloves`."""
    words = f"{Isolation(note.kind).label} precautions"
    return f"{words}: {note.words}" if note.words else words


def similar_names(of: Iterable[Patient]) -> set[UUID]:
    """Which patients of a list share a similar family name with another one in it; no query of its own."""
    return rules.similar((one.pk, rules.folded(one.identity.family_name)) for one in of)


@dataclass(frozen=True)
class PatientRow:
    """One patient in a list: two identifiers beside the name, the place never a link."""

    patient: Patient
    name: str
    born: str
    number: str
    place: str
    signs: tuple[Sign, ...]
    similar: bool
    address: str


def in_list(of: Sequence[Patient], *, on: date | None = None) -> list[PatientRow]:
    """Rows for any list of patients (identity and unit loaded), in two queries for all of them."""
    similar, signs = similar_names(of), signs_in_force(one.pk for one in of)
    today = on or timezone.localdate()
    return [
        PatientRow(
            patient=one,
            name=formats.name(one.identity.family_name, one.identity.given_name, one.identity.title),
            born=formats.born(one.identity.birth_date, today),
            number=formats.patient_number(one.identity.record_number),
            place=place(one),
            signs=(*state_signs(one), *signs.get(one.pk, ())),
            similar=one.pk in similar,
            address=address(one.pk),
        )
        for one in of
    ]


@dataclass(frozen=True)
class LikelyDuplicate:
    """A patient who may be the one that is being entered, and why."""

    identity: PatientIdentity
    why: str


def likely_duplicates(of: rules.Identity, *, besides: UUID | None = None) -> list[LikelyDuplicate]:
    """Patients who are likely the same person, whoever may open them: one query over indexed columns."""
    candidates = Q(birth_date=of.birth_date) | Q(
        name_sound=rules.folded(of.family_name), given_name__istartswith=of.given_name[:1]
    )
    if of.national_number.strip():
        candidates |= Q(national_number__in={of.national_number, of.national_number.replace(" ", "")})
    rows = PatientIdentity.objects.filter(candidates, patient__entered_in_error=False).order_by("pk")
    if besides is not None:
        rows = rows.exclude(pk=besides)
    found = []
    for row in rows:
        why = rules.likely_same_person(of, identity_of(row))
        if why:
            found.append(LikelyDuplicate(row, why))
    return found[:MOST_DUPLICATES]


def identity_of(row: PatientIdentity) -> rules.Identity:
    """The stored identity as the rules take it."""
    return rules.Identity(row.family_name, row.given_name, row.birth_date, row.national_number)


def isolation(of: Patient) -> IsolationNote | None:
    """The precautions in force."""
    return IsolationNote.objects.filter(patient=of, ended_at__isnull=True).first()


def goal_of_care(of: Patient) -> GoalOfCare | None:
    """The goal of care in force."""
    return GoalOfCare.objects.filter(patient=of, ended_at__isnull=True).order_by("-started_at", "-pk").first()


def spo2_target(of: Patient, at: datetime | None = None) -> SpO2Target | None:
    """The target range in force, now or at an earlier time; None means that the app asks, there is no default."""
    rows = SpO2Target.objects.filter(patient=of)
    if at is None:
        return rows.filter(ended_at__isnull=True).first()
    then = rows.filter(Q(ended_at__isnull=True) | Q(ended_at__gt=at), started_at__lte=at)
    return then.order_by("-started_at", "-pk").first()


def care_setting_changes(of: Iterable[UUID]) -> dict[UUID, list[datetime]]:
    """When each patient came into another care setting, the latest first; in one query."""
    found: dict[UUID, list[datetime]] = {}
    rows = CareSettingChange.objects.filter(patient__in=list(of)).order_by("-at", "-pk")
    for patient_id, at in rows.values_list("patient_id", "at"):
        found.setdefault(patient_id, []).append(at)
    return found


def record_page(person: Person, of: Patient) -> dict[str, Any]:
    """Everything on the record page: identity, place, what is in force, who treats, referrals."""
    from clinic.assignments import (
        selectors as assignments,
    )  # assignments know patients, not the other way round
    from clinic.limits import selectors as limits  # limits know patients, not the other way round
    from clinic.referrals import selectors as referrals

    target, stop = spo2_target(of), limits.stop_limits(of)
    return {
        "patient": of,
        "identity": of.identity,
        "banner": banner(of),
        "isolation": isolation(of),
        "goal": goal_of_care(of),
        "target": target,
        "watch": limits.watch_by(of, target, stop),
        "stop_limits": stop,
        "spo2_scale": limits.spo2_scale(of),
        "assignments": list(assignments.history(of.pk)),
        "access": list(assignments.access_to(of.pk)),
        "referrals": list(referrals.of_patient(of.pk)),
        "lead": person.role == Role.LEAD,
    }
