"""What is prescribed, and when it rests."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import ENCODER, EpisodeModel, EventModel


class OrderSource(models.TextChoices):
    WRITTEN = "written", "written"
    TELEPHONE = "telephone", "by telephone, read back"
    PROTOCOL = "protocol", "department protocol"


class Order(EpisodeModel):
    """Active from `started_at` until `ended_at` or `valid_until`; by telephone only once it was read back.

    A draft waits (for read-back, for a screening or a decision) and is never due; activating it writes a new
    row that replaces it.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="orders")
    technique = models.CharField(max_length=32)
    dose = models.JSONField(default=dict, help_text="The dose fields of the technique, as in fixtures/.")
    outside_range = models.JSONField(default=dict, encoder=ENCODER, help_text="Field to the reason given.")
    sets = models.PositiveSmallIntegerField(null=True, help_text="What a part delivery is measured against.")
    breaths_per_set = models.PositiveSmallIntegerField(null=True)
    minutes = models.PositiveSmallIntegerField(null=True)
    positions = models.PositiveSmallIntegerField(null=True)
    cycles = models.PositiveSmallIntegerField(null=True)
    frequency = models.CharField(max_length=20, default="times_a_day")
    times_a_day = models.PositiveSmallIntegerField(null=True)
    independent_sets_a_day = models.PositiveSmallIntegerField(
        null=True, help_text="What the patient does alone."
    )
    valid_until = models.DateTimeField(null=True, blank=True)
    source = models.CharField(max_length=10, choices=OrderSource)
    draft = models.BooleanField(default=False)
    prescriber = models.CharField(max_length=120)
    read_back = models.BooleanField(default=False)
    needs_signature = models.BooleanField(default=False)
    change_reason = models.CharField(max_length=300, blank=True)
    helps_here_reason = models.CharField(max_length=300, blank=True)
    notes = models.CharField(max_length=500, blank=True)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=models.Q(draft=True) | models.Q(read_back=True) | ~models.Q(source="telephone"),
                name="telephone_order_read_back",
            ),
            # One that has run out without being ended still counts: whoever starts the next one ends it.
            models.UniqueConstraint(
                fields=["patient", "technique"],
                condition=models.Q(ended_at__isnull=True, draft=False),
                name="one_order_in_force",
            ),
        ]
        indexes = [
            models.Index(fields=["patient", "ended_at"], name="order_patient_open"),
            models.Index(fields=["ended_at", "started_at"], name="order_open_started"),
        ]


class OrderHold(EpisodeModel):
    """A person's hold of an order; what the guard holds has no row."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="holds")
    reason = models.CharField(max_length=300)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    decides = models.CharField(max_length=120, help_text="Who must decide.")
    decide_by = models.DateTimeField()
    wants_screening = models.BooleanField(
        default=False, help_text="After a stop: it ends only once screened again, or decided, since then."
    )

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["order"], condition=models.Q(ended_at__isnull=True), name="one_hold_in_force"
            )
        ]


class OrderSignature(EventModel):
    """The prescriber's co-signature of an order given by telephone."""

    order = models.OneToOneField(Order, on_delete=models.PROTECT, related_name="signature")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="order_signature_append_only")]


class InhaledMedicine(EventModel):
    """One inhaled medicine of an order, in its place in the sequence."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="medicines")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=24)
    words = models.CharField(max_length=120, blank=True)
    timing = models.CharField(
        max_length=8, choices=[("before", "before"), ("during", "during"), ("after", "after")]
    )
    lead_minutes = models.PositiveSmallIntegerField(null=True)

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["order", "position"], name="one_medicine_per_position"),
            AppendOnly(name="inhaled_medicine_append_only"),
        ]
