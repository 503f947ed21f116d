"""What happened at the bedside."""

from django.db import models

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import AmendableModel, EventModel

# Where a second content under the id of a treatment is kept in RecordVersion: in full, append only, beside the record
# that it does not replace.
SENT_AGAIN = "therapy.treatmentsession#sent_again"


class Delivered(models.TextChoices):
    FULL = "full", "in full"
    PART = "part", "in part"
    NOT_DELIVERED = "not_delivered", "not given"


class DeliveredBy(models.TextChoices):
    THERAPIST = "therapist", "therapist"
    ASSISTANT = "assistant", "assistant"
    STUDENT = "student", "student"
    NURSE = "nurse", "nurse"
    CARER = "carer", "carer"


class SputumState(models.TextChoices):
    MEASURED = "measured", "Measured"
    NONE = "none", "None produced"
    SWALLOWED = "swallowed", "Swallowed"
    SUCTIONED = "suctioned", "Suctioned"
    NOT_COLLECTED = "not_collected", "Not collected"
    SALIVA_ONLY = "saliva_only", "Saliva only or contaminated"


class TreatmentSession(AmendableModel):
    """One treatment: in full, in part, or not given with its reason. The id is made by the device that recorded it."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="treatments")
    order = models.ForeignKey("therapy.Order", on_delete=models.PROTECT, null=True, related_name="treatments")
    window = models.ForeignKey(
        "therapy.DueWindow", on_delete=models.PROTECT, null=True, related_name="treatments"
    )
    visit = models.ForeignKey(
        "therapy.ScheduledVisit", on_delete=models.PROTECT, null=True, related_name="treatments"
    )
    technique = models.CharField(max_length=32)
    teaching = models.BooleanField(default=False)
    service_date = models.DateField()
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    delivered = models.CharField(max_length=14, choices=Delivered)
    reason = models.CharField(max_length=40, blank=True, help_text="Why not given or stopped early.")
    reason_group = models.CharField(max_length=14, blank=True)
    reason_words = models.CharField(max_length=300, blank=True)
    sets_done = models.PositiveSmallIntegerField(null=True)
    breaths_per_set_done = models.PositiveSmallIntegerField(null=True)
    minutes_done = models.PositiveSmallIntegerField(null=True)
    positions_done = models.PositiveSmallIntegerField(null=True)
    cycles_done = models.PositiveSmallIntegerField(null=True)
    huffs_done = models.PositiveSmallIntegerField(null=True)
    exhalation = models.CharField(
        max_length=12, blank=True, help_text="under_3_s, 3_to_4_s, over_4_s or not_timed."
    )
    done_details = models.JSONField(
        default=dict, help_text="Settings used, positions: what no figure is made of."
    )
    sputum = models.CharField(max_length=14, choices=SputumState, blank=True)
    sputum_volume_tenths_ml = models.PositiveIntegerField(null=True)
    sputum_mass_tenths_g = models.PositiveIntegerField(null=True)
    sputum_method = models.CharField(max_length=10, blank=True, help_text="pot, scale or estimated.")
    sputum_colour = models.PositiveSmallIntegerField(null=True, help_text="1 mucoid to 4 severely purulent.")
    sputum_consistency = models.CharField(max_length=8, blank=True, help_text="thin, thick, sticky, plugs.")
    blood = models.CharField(max_length=10, blank=True, help_text="none, streaks, fresh, old.")
    blood_volume_ml = models.PositiveSmallIntegerField(null=True)
    tolerance = models.CharField(max_length=12, blank=True, help_text="well, tired, distressed, stopped.")
    notes = models.CharField(max_length=1000, blank=True)
    delivered_by = models.CharField(max_length=10, choices=DeliveredBy, blank=True)
    needs_signature = models.BooleanField(default=False)
    signed_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    signed_at = models.DateTimeField(null=True)
    guard_result = models.CharField(max_length=24, blank=True)
    outside_rules = models.BooleanField(default=False)
    late_entry = models.BooleanField(default=False)
    recorded_by = models.ForeignKey(
        "clinic.Person", on_delete=models.PROTECT, related_name="recorded_treatments"
    )
    recorded_at = models.DateTimeField()
    payload_version = models.CharField(max_length=20)
    payload_sha256 = models.CharField(max_length=64)
    device = models.CharField(max_length=80, blank=True)
    clock_offset_ms = models.BigIntegerField(null=True, help_text="The device's clock less the server's.")

    class Meta(AmendableModel.Meta):
        indexes = [
            models.Index(fields=["patient", "started_at"], name="treatment_patient_start"),
            models.Index(fields=["service_date", "delivered"], name="treatment_date_delivered"),
            models.Index(fields=["recorded_by", "recorded_at"], name="treatment_recorded_by"),
        ]


class TreatmentStaff(AmendableModel):
    """Who was at the treatment, and for how many minutes."""

    treatment = models.ForeignKey(TreatmentSession, on_delete=models.PROTECT, related_name="staff")
    person = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="treatments_given")
    minutes = models.PositiveSmallIntegerField()

    class Meta(AmendableModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["treatment", "person"], name="one_row_per_person_at_treatment")
        ]


class AdverseEvent(AmendableModel):
    """Something that went wrong or might have, with what was done and who was told."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    treatment = models.ForeignKey(TreatmentSession, on_delete=models.PROTECT, related_name="adverse_events")
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="adverse_events")
    kind = models.CharField(max_length=32)
    action_taken = models.CharField(max_length=300)
    told = models.CharField(max_length=200)
    at = models.DateTimeField()
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(AmendableModel.Meta):
        indexes = [models.Index(fields=["at"], name="adverse_event_at")]


class TreatmentStop(AmendableModel):
    """That a treatment was stopped because of the patient: at once, the sign and the rest later.

    The treatment itself is recorded under the same id, so that what was stopped and what was given are one.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="stops")
    order = models.ForeignKey("therapy.Order", on_delete=models.PROTECT, related_name="stops")
    window = models.ForeignKey("therapy.DueWindow", on_delete=models.PROTECT, null=True, related_name="stops")
    visit = models.ForeignKey(
        "therapy.ScheduledVisit", on_delete=models.PROTECT, null=True, related_name="stops"
    )
    technique = models.CharField(max_length=32)
    started_at = models.DateTimeField(
        null=True, help_text="When the treatment had begun, where it was known."
    )
    at = models.DateTimeField()
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    sign = models.CharField(
        max_length=32, blank=True, help_text="What made one stop: a kind of adverse event."
    )
    sign_words = models.CharField(max_length=200, blank=True)
    action_taken = models.CharField(max_length=300, blank=True)

    class Meta(AmendableModel.Meta):
        indexes = [models.Index(fields=["patient", "at"], name="stop_patient_at")]


class StopRecheck(EventModel):
    """That a patient was measured again after a stop; the values are measurements apart from a treatment."""

    stop = models.ForeignKey(TreatmentStop, on_delete=models.PROTECT, related_name="rechecks")
    minutes = models.PositiveSmallIntegerField(help_text="After how many minutes it was due.")
    at = models.DateTimeField()
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    spo2 = models.ForeignKey("clinic.Measurement", on_delete=models.PROTECT, null=True, related_name="+")
    pulse = models.ForeignKey("clinic.Measurement", on_delete=models.PROTECT, null=True, related_name="+")
    breaths = models.ForeignKey("clinic.Measurement", on_delete=models.PROTECT, null=True, related_name="+")
    borg = models.ForeignKey("clinic.Measurement", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["stop", "minutes"], name="one_recheck_per_time"),
            AppendOnly(name="stop_recheck_append_only"),
        ]


class IndependentSets(AmendableModel):
    """What the patient says was done alone on one day; never pooled with treatments."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="independent_sets")
    order = models.ForeignKey(
        "therapy.Order", on_delete=models.PROTECT, null=True, related_name="independent_sets"
    )
    service_date = models.DateField()
    sets_done = models.PositiveSmallIntegerField()
    sets_ordered = models.PositiveSmallIntegerField(null=True)
    reported_by = models.CharField(max_length=10, choices=[("patient", "patient"), ("carer", "carer")])
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(AmendableModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["patient", "order", "service_date"],
                condition=models.Q(entered_in_error=False),
                name="one_diary_entry_per_day",
            )
        ]
