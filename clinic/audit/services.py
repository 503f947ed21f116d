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
