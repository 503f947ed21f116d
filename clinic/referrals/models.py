"""Requests that a patient be considered, however they came in."""

from django.db import models
from django.utils import timezone

from clinic.ids import new_id
from clinic.patients.models import DiagnosisGroup, Patient
from clinic.records import AmendableModel, StateModel


class Urgency(models.TextChoices):
    URGENT = "urgent", "Urgent"
    SOON = "soon", "Soon"
    ROUTINE = "routine", "Routine"


class ReferralOutcome(models.TextChoices):
    WAITING = "waiting", "waiting"
    ACCEPTED = "accepted", "accepted"
    NOT_INDICATED = "not_indicated", "not indicated"
    REDIRECTED = "redirected", "redirected"
    MORE_INFORMATION = "more_information", "more information wanted"
    DUPLICATE = "duplicate", "duplicate"


class ReferralSource(models.TextChoices):
    FILE = "file", "file"
    WRITTEN = "written", "written"
    TELEPHONE = "telephone", "telephone"


class ReferralImport(StateModel):
    """One uploaded file. Its text lies under CLINIC_DATA_DIR until it is worked through; names stay out of this row."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    state = models.CharField(
        max_length=10,
        default="waiting",
        choices=[("waiting", "waiting"), ("done", "done"), ("refused", "refused")],
    )
    file_name = models.CharField(max_length=200)
    content_sha256 = models.CharField(max_length=64)
    uploaded_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    uploaded_at = models.DateTimeField(default=timezone.now)
    job = models.ForeignKey("clinic.JobRun", on_delete=models.PROTECT, null=True, related_name="+")
    rows_total = models.PositiveIntegerField(default=0)
    rows_created = models.PositiveIntegerField(default=0)
    rows_known = models.PositiveIntegerField(default=0)
    rows_refused = models.PositiveIntegerField(default=0)
    refusal = models.CharField(max_length=300, blank=True)


class Referral(AmendableModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="referrals")
    source = models.CharField(max_length=10, choices=ReferralSource)
    from_import = models.ForeignKey(
        ReferralImport, on_delete=models.PROTECT, null=True, related_name="referrals"
    )
    row_key = models.CharField(  # noqa: DJ001 (NULL, unlike "", may stand in many rows of a unique column)
        max_length=64, null=True, unique=True, help_text="What makes a row sent twice one referral."
    )
    urgency = models.CharField(max_length=10, choices=Urgency)
    reason = models.CharField(max_length=500)
    diagnosis_group = models.CharField(max_length=20, choices=DiagnosisGroup, default=DiagnosisGroup.OTHER)
    diagnosis = models.CharField(max_length=200, blank=True)
    conditions = models.CharField(
        max_length=500, blank=True, help_text="What the file says is so: keys of the rule table, with spaces."
    )
    referrer = models.CharField(max_length=120)
    referrer_phone = models.CharField(max_length=40, blank=True)
    received_at = models.DateTimeField()
    triaged_at = models.DateTimeField(null=True, blank=True)
    triaged_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    outcome = models.CharField(max_length=20, choices=ReferralOutcome, default=ReferralOutcome.WAITING)
    outcome_reason = models.CharField(max_length=500, blank=True)
    duplicate_of = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="duplicates")
    first_seen_at = models.DateTimeField(null=True, blank=True)
    first_treated_at = models.DateTimeField(null=True, blank=True)
    entered_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(AmendableModel.Meta):
        indexes = [
            models.Index(fields=["outcome", "urgency", "received_at"], name="referral_waiting"),
            models.Index(fields=["received_at"], name="referral_received"),
        ]
