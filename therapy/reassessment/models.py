"""When a patient was looked at again, and what came of it."""

from django.db import models

from clinic.ids import new_id
from clinic.records import AmendableModel


class ReassessmentOutcome(models.TextChoices):
    CONTINUE = "continue", "continue as ordered"
    STEP_UP = "step_up", "step up"
    STEP_DOWN = "step_down", "step down"
    CHANGE = "change", "change technique or dose"
    STOP = "stop", "stop"


class Reassessment(AmendableModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="reassessments")
    order = models.ForeignKey(
        "therapy.Order", on_delete=models.PROTECT, null=True, related_name="reassessments"
    )
    at = models.DateTimeField()
    due_at = models.DateTimeField(null=True, help_text="When it had been due; empty where nothing was.")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    outcome = models.CharField(max_length=10, choices=ReassessmentOutcome)
    findings = models.CharField(max_length=1000)
    still_helps = models.CharField(
        max_length=8, choices=[("yes", "yes"), ("no", "no"), ("unknown", "unknown")], default="unknown"
    )

    class Meta(AmendableModel.Meta):
        indexes = [models.Index(fields=["patient", "at"], name="reassessment_patient_at")]
