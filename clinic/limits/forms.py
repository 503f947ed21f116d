"""The forms of limits: when to stop a treatment, warning limits of an age band, the scale of the saturation."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, NumberField, OneOf
from clinic.limits.rules import KIND_OF_SIGN, LIMIT_FIELDS, SIGNS
from clinic.measurements.kinds import kind


def _limit(sign: str, end: str) -> NumberField:
    words, unit = SIGNS[sign]
    return NumberField(
        label=f"{words[:1].upper()}{words[1:]} {end}",
        unit=unit,
        hard=kind(KIND_OF_SIGN[sign]).hard,
        required=False,
    )


class LimitsForm(ClinicForm):
    """Below or above what; a box left blank means that this limit is not set."""

    pulse_below = _limit("pulse", "below")
    pulse_above = _limit("pulse", "above")
    respiratory_rate_below = _limit("respiratory_rate", "below")
    respiratory_rate_above = _limit("respiratory_rate", "above")
    systolic_below = _limit("systolic", "below")
    systolic_above = _limit("systolic", "above")
    pulse_change_percent = NumberField(
        label="Pulse changes by more than", unit="%", hard=(1, 100), required=False
    )
    reason = forms.CharField(label="Who set them, and why", max_length=500)

    # The page says once that every box may be left blank.
    mark_optional = False

    @property
    def pairs(self) -> list[list[Any]]:
        """The boxes as they stand beside each other."""
        return [[self[f"{sign}_below"], self[f"{sign}_above"]] for sign in SIGNS]

    def limits(self) -> dict[str, int | None]:
        """The limits as services take them."""
        return {name: self.cleaned_data[name] for name in LIMIT_FIELDS}


class BandForm(LimitsForm):
    """The same for an age band; the reason says where the numbers come from."""

    reason = forms.CharField(label="Where the numbers come from", max_length=500)


class ScaleForm(ClinicForm):
    """On which scale the saturation is scored, as a licensed clinician decides."""

    scale = OneOf(
        label="Scale for SpO2",
        choices=[(1, "Scale 1"), (2, "Scale 2, target range 88 to 92 %")],
        coerce=int,
        empty_value=None,
    )
    hypercapnia_confirmed = forms.BooleanField(
        label="For scale 2: hypercapnic respiratory failure is confirmed", required=False
    )
    reason = forms.CharField(label="By what it was confirmed, or why it changes", max_length=500)
