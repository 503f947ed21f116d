"""The forms of units and of the clinic's own numbers."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, NumberField, OneOf, TimeField, capitalised
from clinic.units.models import CareSetting, CareSettingRule
from clinic.units.numbers import NumberKind

SPELLS = CareSettingRule._meta.get_field("reassess_every_spell").choices


class UnitForm(ClinicForm):
    """A unit and how a day runs there."""

    name = forms.CharField(label="Name", max_length=80)
    care_setting = OneOf(label="Care setting", choices=capitalised(CareSetting.choices))
    wakes_at = TimeField(label="The day begins at")
    sleeps_at = TimeField(label="The day ends at")
    breakfast_at = TimeField(label="Breakfast")
    midday_meal_at = TimeField(label="Midday meal")
    evening_meal_at = TimeField(label="Evening meal")
    fixed_times = forms.CharField(
        label="Fixed times of treatment",
        required=False,
        widget=forms.Textarea({"rows": 3}),
        help_text="One line for each number of times a day, like: 08:00 12:00 16:00 20:00. "
        "Without a line the day is divided evenly.",
    )
    phone = forms.CharField(label="Telephone", max_length=40, required=False)
    in_use = forms.BooleanField(label="In use", required=False)

    def clean_fixed_times(self) -> dict[str, list[str]]:
        """Lines of clock times, by how many there are."""
        times: dict[str, list[str]] = {}
        for line in self.cleaned_data["fixed_times"].splitlines():
            clocks = line.replace(",", " ").split()
            if not clocks:
                continue
            if str(len(clocks)) in times:
                raise forms.ValidationError(f"There are two lines with {len(clocks)} times")
            times[str(len(clocks))] = clocks
        return times

    @staticmethod
    def lines_of(fixed_times: dict[str, list[str]]) -> str:
        """Stored times as lines, for the form."""
        return "\n".join(
            " ".join(clocks) for _, clocks in sorted(fixed_times.items(), key=lambda item: int(item[0]))
        )


class ReassessmentForm(ClinicForm):
    """How often patients in a care setting are looked at again."""

    every = NumberField(label="Every", hard=(1, 744))
    spell = OneOf(label="Of", choices=capitalised(SPELLS))
    source = forms.CharField(label="Where the number comes from", max_length=200)


class MinutesForm(ClinicForm):
    """True minutes of a technique or a task."""

    minutes = NumberField(label="Minutes", unit="min", hard=(1, 240), soft=(5, 90))
    source = forms.CharField(label="Where the number comes from", max_length=200)


class ClinicNumberForm(ClinicForm):
    """One of the clinic's numbers."""

    reason = forms.CharField(label="Reason for the change", max_length=300)
    field_order = ["value", "reason"]

    def __init__(self, *args: Any, kind: NumberKind, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["value"] = NumberField(label=kind.words, unit=kind.unit, hard=(kind.low, kind.high))
        self.order_fields(self.field_order)
