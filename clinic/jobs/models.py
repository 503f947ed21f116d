"""The ledger of jobs: the truth about what is to run, whatever the broker remembers."""

from django.db import models
from django.utils import timezone

from clinic.ids import new_id
from clinic.records import StateModel


class JobState(models.TextChoices):
    QUEUED = "queued", "waiting"
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"
    CANCELLED = "cancelled", "cancelled"


class JobRun(StateModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=40)
    key = models.CharField(max_length=120)
    state = models.CharField(max_length=10, choices=JobState, default=JobState.QUEUED)
    arguments = models.JSONField(default=dict)
    requested_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)
    rung_at = models.DateTimeField(null=True)
    claimed_at = models.DateTimeField(null=True)
    claim = models.UUIDField(null=True)
    heartbeat_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    progress_done = models.PositiveIntegerField(default=0)
    progress_total = models.PositiveIntegerField(default=0)
    progress_words = models.CharField(max_length=200, blank=True)
    cancel_requested = models.BooleanField(default=False)
    input_hash = models.CharField(max_length=64, blank=True)
    result = models.JSONField(null=True)
    error = models.TextField(blank=True)

    class Meta(StateModel.Meta):
        constraints = [models.UniqueConstraint(fields=["kind", "key"], name="one_job_per_key")]
        indexes = [models.Index(fields=["state", "heartbeat_at"], name="job_state_heartbeat")]


class ProcessHeartbeat(StateModel):
    """When worker and beat were last alive; state only in the sense that it is overwritten, never audited."""

    name = models.CharField(max_length=40, primary_key=True)
    at = models.DateTimeField()
