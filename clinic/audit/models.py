"""Who did what to which record, and every superseded state of an amended record."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.records import ENCODER, EventModel


class AuditEvent(EventModel):
    """One act or read. No foreign keys: the trail never stands in the way of the data and outlives it. No names."""

    at = models.DateTimeField(default=timezone.now)
    actor_id = models.BigIntegerField(null=True)
    role = models.CharField(max_length=20, blank=True)
    action = models.CharField(max_length=60)
    subject_type = models.CharField(max_length=80, blank=True)
    subject_id = models.CharField(max_length=80, blank=True)
    patient_id = models.UUIDField(null=True)
    changed = models.JSONField(default=list, encoder=ENCODER)
    reason = models.CharField(max_length=500, blank=True)
    request_id = models.CharField(max_length=40, blank=True)
    source = models.CharField(max_length=10, default="web")
    device = models.CharField(max_length=80, blank=True)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="audit_append_only")]
        indexes = [
            models.Index(fields=["patient_id", "at"], name="audit_patient_at"),
            models.Index(fields=["action", "at"], name="audit_action_at"),
        ]


class RecordVersion(EventModel):
    """The state that an amendable record had before a change."""

    subject_type = models.CharField(max_length=80)
    subject_id = models.CharField(max_length=40)
    number = models.PositiveIntegerField()
    values = models.JSONField(encoder=ENCODER)
    author = models.ForeignKey(
        "clinic.Person", on_delete=models.PROTECT, related_name="+", db_constraint=False
    )
    reason = models.CharField(max_length=500)
    at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["subject_type", "subject_id", "number"], name="one_row_per_version"
            ),
            AppendOnly(name="record_version_append_only"),
        ]
