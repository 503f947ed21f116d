"""Limits as dated episodes: those of one patient, those of an age band, and the scale on which SpO2 is scored."""

from django.db import models

from clinic.limits.rules import AgeBand
from clinic.records import EpisodeModel


class _LimitColumns(EpisodeModel):
    """Below or above what a sign calls for a look or a stop; null where nothing is set."""

    pulse_below = models.PositiveSmallIntegerField(null=True, blank=True)
    pulse_above = models.PositiveSmallIntegerField(null=True, blank=True)
    respiratory_rate_below = models.PositiveSmallIntegerField(null=True, blank=True)
    respiratory_rate_above = models.PositiveSmallIntegerField(null=True, blank=True)
    systolic_below = models.PositiveSmallIntegerField(null=True, blank=True)
    systolic_above = models.PositiveSmallIntegerField(null=True, blank=True)
    pulse_change_percent = models.PositiveSmallIntegerField(null=True, blank=True)
    reason = models.CharField(max_length=500)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(EpisodeModel.Meta):
        abstract = True


class StopLimits(_LimitColumns):
    """When to stop a treatment of this patient. No default; SpO2 stands with its target range."""

    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="stop_limits")

    class Meta(_LimitColumns.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["patient"],
                condition=models.Q(ended_at__isnull=True),
                name="one_set_of_stop_limits_in_force",
            )
        ]


class AgeBandLimits(_LimitColumns):
    """The warning limits that the clinic sets for an age band. `reason` says where the numbers come from."""

    band = models.CharField(max_length=8, choices=[(band.value, band.value) for band in AgeBand])

    class Meta(_LimitColumns.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["band"],
                condition=models.Q(ended_at__isnull=True),
                name="one_set_of_band_limits_in_force",
            )
        ]


class SpO2Scale(EpisodeModel):
    """On which scale of NEWS2 the saturation is scored: 1 unless a licensed clinician has set 2 for this patient."""

    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="spo2_scales")
    scale = models.PositiveSmallIntegerField()
    reason = models.CharField(max_length=500)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["patient"], condition=models.Q(ended_at__isnull=True), name="one_spo2_scale_in_force"
            ),
            models.CheckConstraint(condition=models.Q(scale__in=(1, 2)), name="spo2_scale_is_1_or_2"),
        ]
