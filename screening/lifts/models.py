"""A starred "do not start" lifted for one patient, and the two signatures that make it count."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import EpisodeModel, EventModel


class Lift(EpisodeModel):
    """Counts from its second signature until `expires_at` or `ended_at`, for exactly `answer`."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="lifts")
    screening = models.ForeignKey(
        "screening.Screening",
        on_delete=models.PROTECT,
        related_name="lifts",
        help_text="The one whose answer it was made for.",
    )
    technique = models.CharField(max_length=32)
    condition = models.CharField(max_length=60)
    answer = models.CharField(max_length=40)
    prescriber = models.CharField(max_length=120)
    prescriber_account = models.ForeignKey(
        "clinic.Person", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    reason = models.CharField(max_length=500)
    expires_at = models.DateTimeField()
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=models.Q(expires_at__gt=models.F("started_at")), name="lift_expires_after_start"
            )
        ]
        indexes = [models.Index(fields=["patient", "expires_at"], name="lift_patient_expires")]


class SignaturePart(models.TextChoices):
    PRESCRIBER = "prescriber", "the prescriber"
    SECOND = "second", "the second licensed clinician"


class SignatureGiven(models.TextChoices):
    SIGNED_IN = "signed_in", "signed in"
    WRITTEN = "written", "in writing, seen by whoever entered it"
    TELEPHONE = "telephone", "by telephone, read back"


class LiftSignature(EventModel):
    """One of the two signatures. `by` signed, or entered what a prescriber without an account gave."""

    lift = models.ForeignKey(Lift, on_delete=models.PROTECT, related_name="signatures")
    part = models.CharField(max_length=12, choices=SignaturePart)
    given = models.CharField(max_length=12, choices=SignatureGiven, default=SignatureGiven.SIGNED_IN)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["lift", "part"], name="one_lift_signature_per_part"),
            models.UniqueConstraint(fields=["lift", "by"], name="lift_signed_by_two_people"),
            AppendOnly(name="lift_signature_append_only"),
        ]
