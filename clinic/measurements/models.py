"""Numbers measured on a patient, as integers in the smallest unit of the trade."""

from django.db import models

from clinic.ids import new_id
from clinic.records import AmendableModel


class Moment(models.TextChoices):
    BEFORE = "before", "before"
    AFTER = "after", "after"
    APART = "apart", "apart from a treatment"


class OxygenDevice(models.TextChoices):
    AIR = "air", "air"
    NASAL_CANNULA = "nasal_cannula", "nasal cannula"
    SIMPLE_MASK = "simple_mask", "simple mask"
    VENTURI_MASK = "venturi_mask", "Venturi mask"
    RESERVOIR_MASK = "reservoir_mask", "reservoir mask"
    HIGH_FLOW = "high_flow", "high-flow nasal oxygen"
    TRACHEOSTOMY_MASK = "tracheostomy_mask", "tracheostomy mask"
    VENTILATOR = "ventilator", "ventilator"
    UNKNOWN = "unknown", "not recorded"


class SetKind(models.TextChoices):
    VITAL_SIGNS = "vital_signs", "vital signs"
    EXHALATION = "exhalation", "measured exhalation"
    FORCED = "forced", "forced breathing test"


class Consciousness(models.TextChoices):
    ALERT = "A", "alert"
    CONFUSION = "C", "new confusion"
    VOICE = "V", "responds to voice"
    PAIN = "P", "responds to pain"
    UNRESPONSIVE = "U", "unresponsive"


class MeasurementSet(AmendableModel):
    """Values taken together, apart from a treatment, and read together. What they say is derived, never stored."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="measurement_sets")
    kind = models.CharField(max_length=12, choices=SetKind)
    measured_at = models.DateTimeField()
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    consciousness = models.CharField(max_length=1, choices=Consciousness, blank=True)
    pregnant = models.BooleanField(null=True, help_text="As asked with vital signs; null where not known.")

    class Meta(AmendableModel.Meta):
        indexes = [
            models.Index(fields=["patient", "kind", "measured_at"], name="measurement_set_patient_kind")
        ]


class Measurement(AmendableModel):
    """One value. `kind` and the scale of `value` stand in clinic/measurements/kinds.py."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="measurements")
    treatment_id = models.UUIDField(
        null=True, db_index=True, help_text="The treatment it was taken at, if any."
    )
    taken_with = models.ForeignKey(
        MeasurementSet,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="measurements",
        help_text="The set it belongs to, where it was taken apart from a treatment.",
    )
    kind = models.CharField(max_length=32)
    moment = models.CharField(max_length=8, choices=Moment, default=Moment.APART)
    value = models.IntegerField()
    measured_at = models.DateTimeField()
    oxygen_device = models.CharField(max_length=20, choices=OxygenDevice, blank=True)
    oxygen_flow_ml_per_min = models.PositiveIntegerField(null=True, blank=True)
    fio2_percent = models.PositiveSmallIntegerField(null=True, blank=True)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    confirmed_reason = models.CharField(
        max_length=200, blank=True, help_text="The answer where the value was unusual."
    )

    class Meta(AmendableModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["treatment_id", "kind", "moment"],
                condition=models.Q(treatment_id__isnull=False, entered_in_error=False),
                name="one_value_per_treatment_moment",
            ),
            models.UniqueConstraint(
                fields=["taken_with", "kind"],
                condition=models.Q(taken_with__isnull=False, entered_in_error=False),
                name="one_value_per_set_and_kind",
            ),
        ]
        indexes = [models.Index(fields=["patient", "kind", "measured_at"], name="measurement_patient_kind")]
