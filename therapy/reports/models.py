"""Reports as they were made: photographs, each with its data and revision."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import ENCODER, EventModel


class StoredReport(EventModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=40)
    period = models.CharField(max_length=20, help_text="ISO week, like 2026-W47.")
    first_day = models.DateField()
    last_day = models.DateField()
    revision = models.PositiveSmallIntegerField()
    data_as_of = models.DateTimeField()
    input_hash = models.CharField(max_length=64)
    figures = models.JSONField(encoder=ENCODER)
    pdf = models.BinaryField()
    pdf_sha256 = models.CharField(max_length=64)
    made_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["kind", "period", "revision"], name="one_report_per_revision"),
            AppendOnly(name="stored_report_append_only"),
        ]
