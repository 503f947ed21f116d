"""Which therapist owns a patient, and who may open the patient's pages when."""

from django.db import models
from django.utils import timezone

from clinic.ids import new_id
from clinic.records import EpisodeModel, StateModel


class Assignment(EpisodeModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="assignments")
    therapist = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="assignments")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300, blank=True)

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["patient"], condition=models.Q(ended_at__isnull=True), name="one_assigned_therapist"
            )
        ]
        indexes = [models.Index(fields=["therapist", "ended_at"], name="assignment_therapist_open")]


class GrantReason(models.TextChoices):
    ASSIGNED = "assigned", "assigned"
    SCHEDULED = "scheduled", "scheduled"
    COVERING = "covering", "covering"
    EMERGENCY = "emergency", "emergency access"


class AccessGrant(StateModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    person = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="grants")
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="grants")
    why = models.CharField(max_length=10, choices=GrantReason)
    from_at = models.DateTimeField(default=timezone.now)
    until_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    class Meta(StateModel.Meta):
        indexes = [models.Index(fields=["person", "patient", "until_at"], name="grant_person_patient")]
