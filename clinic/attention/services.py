"""Writes what someone must look at (flags) and what someone was told (notices)."""

from datetime import datetime

from django.db import models, transaction
from django.utils import timezone

from clinic import records
from clinic.attention.models import Flag, FlagKind, FlagState, Notice
from clinic.audit import services as audit
from clinic.models import Patient, Person
from clinic.staff.roles import Role

WAITING = (FlagState.OPEN, FlagState.PUT_OFF)


def open_flag(
    *,
    kind: FlagKind | str,
    key: str,
    words: str,
    due_at: datetime,
    patient: Patient | None = None,
    owner: Person | None = None,
    decides: str = "",
    technique: str = "",
    subject: models.Model | None = None,
    by: Person | None = None,
) -> tuple[Flag, bool]:
    """Open a flag, once for its key.

    Returns: the flag, and whether this call opened it; a closed one with the same key is not opened again.
    """
    with transaction.atomic():
        flag, opened = Flag.objects.get_or_create(
            key=key,
            defaults={
                "kind": kind,
                "words": words[:500],
                "due_at": due_at,
                "patient": patient,
                "owner": owner,
                "decides": decides,
                "technique": technique,
                "subject_type": subject._meta.label_lower if subject is not None else "",
                "subject_id": str(subject.pk) if subject is not None else "",
            },
        )
        if opened:
            audit.record(action="flag_opened", by=by, subject=flag, patient=patient, reason=str(kind))
    return flag, opened


def close_flag(*, flag: Flag, by: Person | None, outcome: str, words: str = "") -> bool:
    """Close a flag by its outcome. Returns False where it was closed already."""
    with transaction.atomic():
        closed = records.move(
            Flag,
            flag.pk,
            frm=WAITING,
            to=FlagState.CLOSED,
            outcome=outcome,
            outcome_words=words[:500],
            closed_at=timezone.now(),
            closed_by=by,
        )
        if closed:
            audit.record(action="flag_closed", by=by, subject=flag, patient=flag.patient_id, reason=outcome)
    return closed


def tell(
    *,
    to: Person,
    kind: str,
    words: str,
    by: Person | None = None,
    patient: Patient | None = None,
    flag: Flag | None = None,
) -> Notice:
    """Tell one person something."""
    return Notice.objects.create(to=to, kind=kind, words=words[:1000], by=by, patient=patient, flag=flag)


def tell_leads(
    *,
    kind: str,
    words: str,
    by: Person | None = None,
    patient: Patient | None = None,
    flag: Flag | None = None,
) -> list[Notice]:
    """Tell every active department lead something, except whoever says it."""
    leads = Person.objects.filter(role=Role.LEAD, is_active=True).order_by("pk")
    return [
        tell(to=lead, kind=kind, words=words, by=by, patient=patient, flag=flag)
        for lead in leads
        if by is None or lead.pk != by.pk
    ]
