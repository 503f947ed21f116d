"""Reads treatments for display: one with its parts and history, a patient's list, the diary."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import DateField, DateTimeField, Model, Prefetch, QuerySet
from django.http import Http404

from clinic import formats
from clinic.access import patients_visible_to
from clinic.audit.models import RecordVersion
from clinic.measurements.models import Measurement
from clinic.models import Patient, Person
from clinic.records import ENCODER, snapshot
from therapy.orders.selectors import technique_words
from therapy.sessions import words as words_of
from therapy.sessions.models import (
    SENT_AGAIN,
    AdverseEvent,
    IndependentSets,
    TreatmentSession,
    TreatmentStaff,
)

NEWEST_FIRST = ("-started_at", "-id")


def visible_treatments(person: Person) -> QuerySet[TreatmentSession]:
    """The treatments of the patients a person may open, also those entered in error."""
    return TreatmentSession.objects.filter(patient__in=patients_visible_to(person).values("pk"))


def visible_treatment(person: Person, treatment_id: Any) -> TreatmentSession:
    """One treatment for its page. Raises: Http404 where the person may not see it."""
    found = (
        visible_treatments(person)
        .select_related(
            "patient__identity", "patient__unit", "order", "window", "visit", "recorded_by", "signed_by"
        )
        .filter(pk=treatment_id)
        .first()
    )
    if found is None:
        raise Http404
    return found


def treatments_of(patient: Patient | UUID) -> QuerySet[TreatmentSession]:
    """A patient's treatments, the newest first, those entered in error left out."""
    patient_id = patient.pk if isinstance(patient, Patient) else patient
    return TreatmentSession.objects.filter(patient=patient_id, entered_in_error=False).order_by(*NEWEST_FIRST)


def with_staff(treatments: QuerySet[TreatmentSession]) -> QuerySet[TreatmentSession]:
    """The same with the people who were there read along."""
    there = TreatmentStaff.objects.filter(entered_in_error=False).select_related("person").order_by("id")
    return treatments.prefetch_related(Prefetch("staff", queryset=there, to_attr="people_there"))


def last_oxygen(patient: Patient) -> Measurement | None:
    """The newest SpO2 of a patient: which oxygen was given when."""
    rows = Measurement.objects.filter(patient=patient, kind="spo2_percent", entered_in_error=False)
    return rows.order_by("-measured_at", "-id").first()


def sent_again(treatment: TreatmentSession) -> list[RecordVersion]:
    """Other contents that came under the id of this treatment, kept beside it."""
    rows = RecordVersion.objects.filter(subject_type=SENT_AGAIN, subject_id=str(treatment.pk))
    return list(rows.select_related("author").order_by("number"))


@dataclass(frozen=True)
class Change:
    """One amendment: who, when, why, and each value before and after, in words."""

    at: datetime
    author: Person
    reason: str
    values: list[tuple[str, str, str]]


def history_of(treatment: TreatmentSession) -> list[Change]:
    """Every amendment of a treatment and its parts, the newest first; the values each changed."""
    parts: list[tuple[str, Model]] = [("", treatment)]
    parts += [
        (f"{row.kind.replace('_', ' ')} {row.moment}", row)
        for row in Measurement.objects.filter(treatment_id=treatment.pk).order_by("id")
    ]
    parts += [(str(row.person), row) for row in treatment.staff.select_related("person").order_by("id")]
    parts += [
        (words_of.ADVERSE_EVENTS.get(row.kind, row.kind), row)
        for row in AdverseEvent.objects.filter(treatment=treatment).order_by("id")
    ]
    ids = [str(row.pk) for _, row in parts]
    versions: dict[tuple[str, str], list[RecordVersion]] = {}
    rows = RecordVersion.objects.filter(
        subject_type__in={row._meta.label_lower for _, row in parts}, subject_id__in=ids
    ).select_related("author")
    for version in rows.order_by("subject_type", "subject_id", "number"):
        versions.setdefault((version.subject_type, version.subject_id), []).append(version)
    changes: dict[tuple[datetime, str], Change] = {}
    for name, row in parts:
        of_row = versions.get((row._meta.label_lower, str(row.pk)), [])
        states = [version.values for version in of_row] + [_plain(row)]
        for version, older, newer in zip(of_row, states, states[1:], strict=False):
            said = _differences(name, row, older, newer)
            at = version.at.replace(microsecond=0)
            key = (at, version.reason)
            change = changes.setdefault(key, Change(at, version.author, version.reason, []))
            change.values.extend(said)
    return sorted(changes.values(), key=lambda change: change.at, reverse=True)


def independent_sets_of(patient: Patient, date_from: date, date_to: date) -> list[IndependentSets]:
    """The diary of a patient over [from, to), by day; days without an entry have none."""
    rows = IndependentSets.objects.filter(
        patient=patient, entered_in_error=False, service_date__gte=date_from, service_date__lt=date_to
    )
    return list(rows.order_by("service_date", "id"))


def struck_sets_of(patient: Patient, date_from: date, date_to: date) -> list[IndependentSets]:
    """The days of the diary over [from, to) that were struck as entered in error."""
    rows = IndependentSets.objects.filter(
        patient=patient, entered_in_error=True, service_date__gte=date_from, service_date__lt=date_to
    )
    return list(rows.order_by("service_date", "id"))


def visible_sets(person: Person, patient_id: UUID, entry_id: UUID) -> IndependentSets:
    """One day of a patient's diary, also a struck one. Raises: Http404 where the person may not see it."""
    rows = IndependentSets.objects.filter(patient__in=patients_visible_to(person).values("pk"))
    found = rows.select_related("patient__identity", "patient__unit", "order", "by")
    entry = found.filter(pk=entry_id, patient=patient_id).first()
    if entry is None:
        raise Http404
    return entry


def earlier_sets_of(entry: IndependentSets) -> list[dict[str, Any]]:
    """What a day of the diary said before each correction, the newest first: when, by whom, why, and the sets."""
    rows = RecordVersion.objects.filter(
        subject_type=IndependentSets._meta.label_lower, subject_id=str(entry.pk)
    )
    return [
        {"at": row.at, "author": row.author, "reason": row.reason, "sets_done": row.values["sets_done"]}
        for row in rows.select_related("author").order_by("-number")
    ]


def in_short(treatment: TreatmentSession) -> str:
    """What was given, for a list: `Oscillating PEP, given in part`."""
    said = words_of.DELIVERED[treatment.delivered]
    return f"{technique_words(treatment.technique)}, {said[:1].lower()}{said[1:]}"


_NOT_SHOWN = {"version", "payload_sha256", "measured_at", "reason_group", "signed_by_id"}


def _plain(row: Model) -> dict[str, Any]:
    encoder = ENCODER()
    return {
        name: value if isinstance(value, (dict, list, str, int, type(None))) else encoder.default(value)
        for name, value in snapshot(row).items()
    }


def _differences(
    name: str, row: Model, older: Mapping[str, Any], newer: Mapping[str, Any]
) -> list[tuple[str, str, str]]:
    found = []
    for field in newer:
        before, after = older.get(field), newer[field]
        if field in _NOT_SHOWN or before == after:
            continue
        words = " ".join(part for part in (name, field.removesuffix("_id").replace("_", " ")) if part)
        column = row._meta.get_field(field)
        found.append((words[:1].upper() + words[1:], _said(before, column), _said(after, column)))
    return found


def _said(value: Any, column: Any) -> str:
    if value is None or value in ("", [], {}):
        return formats.NOT_RECORDED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return ", ".join(f"{key.replace('_', ' ')} {each}" for key, each in value.items())
    if isinstance(column, DateTimeField):
        return formats.date_time(datetime.fromisoformat(str(value)))
    if isinstance(column, DateField):
        return formats.date(date.fromisoformat(str(value)))
    return str(dict(column.flatchoices).get(value, value))
