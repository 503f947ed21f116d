"""Writes patients: registering, amending, isolation, goals of care, SpO2 target, leaving the caseload."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, Literal, TypeVar

from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic import records
from clinic.access import CLINICAL, NotPermitted, patients_visible_to, require
from clinic.attention import services as attention
from clinic.audit import services as audit
from clinic.patients import followers, rules, selectors
from clinic.patients.models import (
    CareSettingChange,
    DiagnosisGroup,
    GoalOfCare,
    Isolation,
    IsolationNote,
    Patient,
    PatientIdentity,
    PatientState,
    Sex,
    SpO2Target,
)
from clinic.records import EpisodeModel, Refused
from clinic.staff.models import Person
from clinic.units.models import Unit

IDENTITY_FIELDS = (
    "record_number", "national_number", "family_name", "given_name", "preferred_name", "title", "birth_date",
    "address", "phone", "contact_name", "contact_phone",
)  # fmt: skip
PATIENT_FIELDS = ("sex", "unit", "room", "diagnosis_group", "diagnosis", "language")
PLACE_FIELDS = {"unit", "room"}

Episode = TypeVar("Episode", bound=EpisodeModel)


class LikelyDuplicate(Refused):
    """The patient may be here already; `found` holds who, and why each is likely the same person."""

    def __init__(self, found: "Sequence[selectors.LikelyDuplicate]") -> None:
        super().__init__(
            "not_the_same_reason", "This patient may be here already. Compare them, and say why not"
        )
        self.found = found


class NumberInUse(Refused):
    """The record number belongs to somebody else, whose identity `holder` is."""

    def __init__(self, holder: PatientIdentity) -> None:
        super().__init__("record_number", "The record number belongs to another patient")
        self.holder = holder


@transaction.atomic
def register_patient(
    *,
    by: Person,
    record_number: str,
    family_name: str,
    given_name: str,
    birth_date: date,
    not_the_same_reason: str = "",
    source: str = "web",
    **fields: Any,
) -> Patient:
    """Register a patient with state "referred".

    Args:
        not_the_same_reason: why this is somebody else than the likely duplicates that were shown.
        fields: any of IDENTITY_FIELDS and PATIENT_FIELDS.
    Raises: NotPermitted; Refused; NumberInUse; LikelyDuplicate where others look the same and no reason is given.
    """
    require(by, *CLINICAL)
    typed = {"record_number": record_number, "family_name": family_name, "given_name": given_name}
    identity: dict[str, Any] = {name: " ".join(value.split()) for name, value in typed.items()}
    identity["birth_date"] = birth_date
    identity |= {name: fields.pop(name) for name in IDENTITY_FIELDS if name in fields}
    _check_identity(identity)
    _check_patient(fields)
    found = selectors.likely_duplicates(
        rules.Identity(
            identity["family_name"], identity["given_name"], birth_date, identity.get("national_number", "")
        )
    )
    if found and not not_the_same_reason.strip():
        raise LikelyDuplicate(found)
    patient = create_patient(identity=identity, fields=fields)
    audit.record(
        action="patient registered",
        by=by,
        subject=patient,
        patient=patient,
        reason=not_the_same_reason,
        source=source,
    )
    return patient


def create_patient(*, identity: Mapping[str, Any], fields: Mapping[str, Any]) -> Patient:
    """Insert the two rows of a checked patient; for `register_patient` and the file import only."""
    patient = Patient.objects.create(birth_year=identity["birth_date"].year, **fields)
    try:
        with transaction.atomic():
            PatientIdentity.objects.create(
                patient=patient, name_sound=rules.folded(identity["family_name"])[:80], **identity
            )
    except IntegrityError as error:
        raise NumberInUse(PatientIdentity.objects.get(record_number=identity["record_number"])) from error
    return patient


@transaction.atomic
def amend_identity(
    identity: PatientIdentity, *, by: Person, reason: str, changes: Mapping[str, Any], expect_version: int
) -> PatientIdentity:
    """Correct name, birth date, numbers or contacts; the superseded identity is kept apart.

    Raises: NotPermitted; Refused; NumberInUse; records.Changed.
    """
    patient = _openable(identity.patient_id, by)
    changes = {name: value.strip() if isinstance(value, str) else value for name, value in changes.items()}
    if unknown := set(changes) - set(IDENTITY_FIELDS):
        raise Refused(min(unknown), "This is no part of a patient's identity.")
    merged = {name: changes.get(name, getattr(identity, name)) for name in IDENTITY_FIELDS}
    _check_identity(merged, of=identity)
    if "family_name" in changes:
        changes["name_sound"] = rules.folded(changes["family_name"])[:80]
    amended = records.amend(
        identity, by=by, reason=reason, changes=changes, expect_version=expect_version, patient=patient.pk
    )
    if patient.birth_year != amended.birth_date.year:
        records.amend(
            patient,
            by=by,
            reason=reason,
            changes={"birth_year": amended.birth_date.year},
            expect_version=patient.version,
        )
    return amended


@transaction.atomic
def amend_patient(
    patient: Patient, *, by: Person, changes: Mapping[str, Any], expect_version: int, reason: str = ""
) -> Patient:
    """Change place, diagnosis, sex or language. A move alone needs no reason of its own.

    A move to a unit of another care setting is kept as such, and the parts that follow are told.

    Raises: NotPermitted; Refused; records.Changed.
    """
    _openable(patient.pk, by)
    if unknown := set(changes) - set(PATIENT_FIELDS):
        raise Refused(min(unknown), "This is not changed here.")
    _check_patient(changes, of=patient)
    different = {name for name, value in changes.items() if getattr(patient, name) != value}
    if different and different <= PLACE_FIELDS:
        reason = reason.strip() or "moved"
    before = patient.unit.care_setting if patient.unit is not None else ""
    amended = records.amend(patient, by=by, reason=reason, changes=changes, expect_version=expect_version)
    after = amended.unit.care_setting if amended.unit is not None else ""
    if after and after != before:
        moved = CareSettingChange.objects.create(
            patient=amended, was=before, now=after, at=timezone.now(), by=by
        )
        followers.tell_moved(moved)
    return amended


@transaction.atomic
def set_isolation(
    patient: Patient, *, by: Person, kind: str, words: str = "", reason: str = ""
) -> IsolationNote:
    """Put precautions in force in place of those before. "Standard" lifts whatever was in force."""
    _openable(patient.pk, by)
    if kind not in Isolation.values:
        raise Refused("kind", "Choose the kind of precautions.")
    note = IsolationNote(patient=patient, kind=kind, words=words.strip(), by=by)
    return _put_in_force(note, by=by, reason=reason, action="isolation set")


@transaction.atomic
def set_goal_of_care(
    patient: Patient, *, by: Person, words: str, comfort_only: bool = False, reason: str = ""
) -> GoalOfCare:
    """Put goals of care in force in place of those before."""
    _openable(patient.pk, by)
    if not words.strip():
        raise Refused("words", "Enter the goal of care.")
    goal = GoalOfCare(patient=patient, words=words.strip(), comfort_only=comfort_only, by=by)
    return _put_in_force(goal, by=by, reason=reason, action="goal of care set")


@transaction.atomic
def set_spo2_target(
    patient: Patient,
    *,
    by: Person,
    low_percent: int,
    high_percent: int,
    stop_below_percent: int | None = None,
    reason: str = "",
) -> SpO2Target:
    """Put a target range of oxygen saturation in force, and below what a treatment stops.

    The range is prescribed per patient (BTS oxygen guideline 2017: 94 to 98, 88 to 92, or set); there is no default.
    """
    _openable(patient.pk, by)
    if not 50 <= low_percent < high_percent <= 100:
        raise Refused(
            "high_percent", "The target range must lie between 50 and 100 %, its low end below its high end."
        )
    if stop_below_percent is not None and not 50 <= stop_below_percent <= low_percent:
        raise Refused(
            "stop_below_percent", f"Stop below must be between 50 and {low_percent} %, the low end."
        )
    target = SpO2Target(
        patient=patient, low_percent=low_percent, high_percent=high_percent, stop_below_percent=stop_below_percent,
        by=by,
    )  # fmt: skip
    return _put_in_force(target, by=by, reason=reason, action="SpO2 target set")


def _put_in_force(new: Episode, *, by: Person, reason: str, action: str) -> Episode:
    patient = new.patient  # type: ignore[attr-defined]  # every episode of a patient has one
    model: Any = type(new)
    old = model.objects.filter(patient=patient, ended_at__isnull=True).order_by("-started_at", "-pk").first()
    if old is None:
        new.save(force_insert=True)
    else:
        at = max(timezone.now(), old.started_at)
        records.replace(old, new, by=by, at=at, reason=reason.strip() or "replaced by a newer one")
    audit.record(action=action, by=by, subject=new, patient=patient, reason=reason)
    return new


@transaction.atomic
def activate(patient: Patient, *, by: Person, reason: str) -> Patient:
    """Take a patient on the caseload: a referral was accepted."""
    require(by, *CLINICAL)
    current = Patient.objects.get(pk=patient.pk)
    if current.state == PatientState.DIED:
        raise Refused("patient", "The patient has died.")
    if current.state == PatientState.ACTIVE:
        return current
    return _to_state(current, PatientState.ACTIVE, by=by, reason=reason, at=timezone.now())


@transaction.atomic
def discharge(patient: Patient, *, by: Person, reason: str, at: datetime | None = None) -> Patient:
    """Discharge a patient: orders stop, assignment and access end, flags close, all in one transaction."""
    return _leave(patient, PatientState.DISCHARGED, by=by, reason=reason, at=at)


@transaction.atomic
def record_death(
    patient: Patient, *, by: Person, reason: str = "died", at: datetime | None = None
) -> Patient:
    """Record that a patient died; what follows is as for a discharge."""
    return _leave(patient, PatientState.DIED, by=by, reason=reason, at=at)


def _leave(patient: Patient, state: PatientState, *, by: Person, reason: str, at: datetime | None) -> Patient:
    from clinic.assignments import (
        services as assignments,
    )  # assignments know patients, not the other way round

    _openable(patient.pk, by)
    now = timezone.now()
    at = at or now
    if not reason.strip():
        raise Refused("reason", "Enter the reason.")
    if at > now:
        raise Refused("at", "The time must be now or in the past.")
    current = Patient.objects.get(pk=patient.pk)
    if current.state in (PatientState.DIED, state):
        raise Refused("patient", f"The patient is recorded as {PatientState(current.state).label} already.")
    left = _to_state(current, state, by=by, reason=reason, at=at)
    how: Literal["discharged", "died"] = "died" if state == PatientState.DIED else "discharged"
    followers.tell(followers.PatientLeft(how=how, patient=left, by=by, at=at, reason=reason))
    attention.close_flags_of(left, by=by, outcome=how, words=reason)
    assignments.end_all(left, by=by, reason=reason)
    return left


def _to_state(patient: Patient, state: PatientState, *, by: Person, reason: str, at: datetime) -> Patient:
    return records.amend(
        patient,
        by=by,
        reason=reason,
        changes={"state": state, "state_since": at},
        expect_version=patient.version,
    )


def _openable(patient_id: Any, by: Person) -> Patient:
    """The patient, where this person may open and change the record."""
    require(by, *CLINICAL)
    found = patients_visible_to(by).filter(pk=patient_id).first()
    if found is None:
        raise NotPermitted("Only whoever treats the patient, and the lead.")
    return found


def _check_identity(identity: Mapping[str, Any], *, of: PatientIdentity | None = None) -> None:
    for name, words in (
        ("record_number", "record number"), ("family_name", "family name"), ("given_name", "given name"),
    ):  # fmt: skip
        if not identity[name].strip():
            raise Refused(name, f"Enter the {words}")
    for name in IDENTITY_FIELDS:
        longest = getattr(PatientIdentity._meta.get_field(name), "max_length", None)
        if longest and len(identity.get(name) or "") > longest:
            raise Refused(name, f"This must be {longest} characters or fewer")
    if problem := rules.birth_date_problem(identity["birth_date"], today=timezone.localdate()):
        raise Refused("birth_date", problem)
    holder = PatientIdentity.objects.filter(record_number=identity["record_number"])
    if of is not None:
        holder = holder.exclude(pk=of.pk)
    if (other := holder.select_related("patient").first()) is not None:
        raise NumberInUse(other)


def _check_patient(fields: Mapping[str, Any], *, of: Patient | None = None) -> None:
    if unknown := set(fields) - set(PATIENT_FIELDS):
        raise Refused(min(unknown), "This is no part of a patient's record.")
    if fields.get("sex", Sex.UNKNOWN) not in Sex.values:
        raise Refused("sex", "Choose the gender")
    if fields.get("diagnosis_group", DiagnosisGroup.OTHER) not in DiagnosisGroup.values:
        raise Refused("diagnosis_group", "Choose the diagnosis group")
    unit: Unit | None = fields.get("unit")
    if unit is not None and not unit.in_use and (of is None or of.unit_id != unit.pk):
        raise Refused("unit", "The unit is no longer in use")
