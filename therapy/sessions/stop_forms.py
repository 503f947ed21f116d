"""The forms of the stop page: the press itself, what made one stop, who was told, and the checks after it."""

from typing import Any

from django import forms

from clinic.attention.models import ToldHow
from clinic.forms import ClinicForm, MomentField, OneOf, TimeField
from clinic.limits.rules import OxygenGiven
from clinic.measurements import kinds
from therapy.sessions import words
from therapy.sessions.forms import GRID, grid_fields
from therapy.sessions.stops import Checked


class StopForm(ClinicForm):
    """The press. Nothing in it is ever refused: what cannot be read is left out."""

    stop_id = forms.UUIDField(required=False)
    started = TimeField(required=False)


class SignForm(ClinicForm):
    """What made one stop: one press of a sign records it."""

    sign = forms.ChoiceField(
        choices=list(words.ADVERSE_EVENTS.items()), error_messages={"required": "Choose what made you stop"}
    )
    sign_words = forms.CharField(label="More on that", max_length=200, required=False)
    action_taken = forms.CharField(label="What was done", max_length=300, required=False)


class ToldForm(ClinicForm):
    """Who was told by telephone or in person, when, and what they said."""

    told_id = forms.UUIDField(widget=forms.HiddenInput)
    who = forms.CharField(
        label="Who was told", max_length=120, help_text="Name and post; no account is needed."
    )
    how = OneOf(
        label="How", choices=[(value, said[:1].upper() + said[1:]) for value, said in ToldHow.choices]
    )
    at = MomentField(label="When", not_future=True)
    said = forms.CharField(
        label="What they said", max_length=500, help_text="That nobody answered is worth noting too."
    )


class RecheckForm(ClinicForm):
    """What was measured at one check; what is left blank is not recorded."""

    mark_optional = False
    grid: tuple[tuple[str, str, str], ...] = ()

    @property
    def numbers(self) -> list[Any]:
        """The numbers, without the oxygen."""
        return [self[f"now_{name}"] for name, _, _ in self.grid]

    def clean(self) -> dict[str, Any]:
        """No SpO2 without its oxygen, as on the record page; at least one number."""
        given: dict[str, Any] = super().clean() or self.cleaned_data
        if all(given.get(f"now_{name}") is None for name, _, _ in self.grid) and not self.errors:
            self.add_error("now_spo2", "Enter what was measured")
        borg = given.get("now_borg")
        if borg is not None and borg not in kinds.kind("borg_tenths").steps:
            self.add_error("now_borg", "{name} must be 0, 0.5, or a whole number from 1 to 10")
        device = given.get("now_oxygen_device")
        if given.get("now_spo2") is not None and not device and "now_oxygen_device" not in self.errors:
            self.add_error("now_oxygen_device", "Choose the oxygen: SpO2 cannot be read without it")
        amounts = [given.get(f"now_oxygen_{part}") for part in ("flow", "fio2")]
        if device and device not in {"air", "unknown"} and all(each is None for each in amounts):
            self.add_error("now_oxygen_flow", "Enter the flow or the FiO2")
        return given

    @property
    def checked(self) -> Checked:
        """What the cleaned form says."""
        given = self.cleaned_data
        device = given.get("now_oxygen_device")
        amounts = {"now_oxygen_flow": None, "now_oxygen_fio2": None}
        if device not in {"air", "unknown"}:
            amounts = {name: given.get(name) for name in amounts}
        return Checked(
            values={
                name: given[f"now_{name}"] for name, _, _ in self.grid if given.get(f"now_{name}") is not None
            },
            oxygen=OxygenGiven(device, *amounts.values()) if device else None,
            unusual={name: self.kept_reasons.get(f"now_{name}", "") for name, _, _ in self.grid},
        )


def recheck_form(age_years: int) -> type[RecheckForm]:
    """The form of a check: what is measured at this age."""
    grid = tuple(one for one in GRID if kinds.kind(one[1]).least_age_years <= age_years)
    return type("RecheckFormOfAge", (RecheckForm,), {"grid": grid, **grid_fields("now", grid, age_years)})
