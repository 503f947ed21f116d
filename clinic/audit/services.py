"""Writes the audit trail."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.db import models

from clinic.audit.models import AuditEvent
from clinic.request_context import current_request_id

if TYPE_CHECKING:
    from clinic.staff.models import Person


def record(
    *,
    action: str,
    by: "Person | None",
    subject: models.Model | str | None = None,
    patient: Any = None,
    changed: Iterable[str] = (),
    reason: str = "",
    source: str = "web",
    device: str = "",
) -> AuditEvent:
    """Append one row. `subject` is a row or a page's path; `patient` a patient or its id. Holds no names."""
    is_row = isinstance(subject, models.Model)
    patient_id = getattr(patient, "pk", patient)
    return AuditEvent.objects.create(
        action=action,
        actor_id=by.pk if by else None,
        role=by.role if by else "system",
        subject_type=subject._meta.label_lower if is_row else "page" if subject else "",  # type: ignore[union-attr]  # is_row
        subject_id=str(subject.pk) if is_row else str(subject or "")[:80],  # type: ignore[union-attr]  # is_row
        patient_id=patient_id if isinstance(patient_id, UUID) else None,
        changed=list(changed),
        reason=reason[:500],
        request_id=current_request_id(),
        source=source,
        device=device[:80],
    )


def record_each(
    *,
    action: str,
    by: "Person | None",
    subjects: Iterable[tuple[models.Model, UUID | None]],
    source: str = "web",
) -> None:
    """Append one row for each (record, patient id), in one statement: for what is written in bulk."""
    role, request_id = by.role if by else "system", current_request_id()
    AuditEvent.objects.bulk_create(
        AuditEvent(
            action=action,
            actor_id=by.pk if by else None,
            role=role,
            subject_type=subject._meta.label_lower,
            subject_id=str(subject.pk),
            patient_id=patient_id,
            request_id=request_id,
            source=source,
        )
        for subject, patient_id in subjects
    )


def read(*, by: "Person", patient: Any, page: str, source: str = "web", device: str = "") -> AuditEvent:
    """Note that a person opened a page of a patient: `page` is its URL name, like "patient" or "sputum-chart"."""
    return record(action="read", by=by, subject=page, patient=patient, source=source, device=device)
