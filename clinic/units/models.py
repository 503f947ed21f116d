"""Where patients are, how a day runs there, and the clinic's own numbers."""

from datetime import time

from django.db import models

from clinic.records import SettingModel


class CareSetting(models.TextChoices):
    INTENSIVE = "intensive", "intensive care"
    STEP_DOWN = "step_down", "step-down"
    ACUTE = "acute", "acute ward"
    OUTPATIENT = "outpatient", "outpatient"
    HOME = "home", "home"


class Unit(SettingModel):
    name = models.CharField(max_length=80, unique=True)
    care_setting = models.CharField(max_length=12, choices=CareSetting)
    wakes_at = models.TimeField(default=time(7))
    sleeps_at = models.TimeField(default=time(22))
    breakfast_at = models.TimeField(default=time(8))
    midday_meal_at = models.TimeField(default=time(12, 30))
    evening_meal_at = models.TimeField(default=time(18))
    fixed_times = models.JSONField(
        default=dict, blank=True, help_text='Times a day to clock times: {"4": ["08:00", ...]}.'
    )
    phone = models.CharField(max_length=40, blank=True)
    in_use = models.BooleanField(default=True)

    class Meta(SettingModel.Meta):
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class CareSettingRule(SettingModel):
    """How often a patient must be looked at again, by care setting."""

    care_setting = models.CharField(max_length=12, choices=CareSetting, unique=True)
    reassess_every = models.PositiveSmallIntegerField()
    reassess_every_spell = models.CharField(
        max_length=6, choices=[("hours", "hours"), ("days", "days"), ("weeks", "weeks"), ("months", "months")]
    )
    source = models.CharField(max_length=200, blank=True)


class ClinicNumber(SettingModel):
    """One number that the clinic may set for itself; what each is for stands in clinic/units/numbers.py."""

    name = models.CharField(max_length=60, primary_key=True)
    value = models.IntegerField()
    reason = models.CharField(max_length=300, blank=True)
