"""The forms of vital signs, a measured exhalation, and a forced breathing test with its list."""

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms

from clinic.forms import ClinicForm, MomentField, NumberField, OneOf
from clinic.measurements.kinds import kind
from clinic.measurements.models import Consciousness, OxygenDevice
from clinic.measurements.services import Value
from screening.numbers import forced
from screening.numbers.services import EXHALATION, FORCED, VITAL_SIGNS

FROM_AGE_YEARS = 16


def _number(name: str, age_years: int, *, required: bool = False) -> NumberField:
    of = kind(name)
    label = "SpO2" if name == "spo2_percent" else f"{of.words[:1].upper()}{of.words[1:]}"
    return NumberField(
        label=label, unit=of.unit, places=of.places, scale=of.scale or None, hard=of.hard_as_written,
        soft=of.soft_at(age_years), required=required,
    )  # fmt: skip


class _SetForm(ClinicForm):
    """Numbers of some kinds, when they were measured, and the id under which they are stored once."""

    kinds: Sequence[str] = ()
    required: bool = False
    set_id = forms.UUIDField(widget=forms.HiddenInput)
    measured_at = MomentField(label="When", not_future=True)
    mark_optional = False

    def __init__(self, *args: Any, age_years: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.age_years = age_years
        for name in self.kinds:
            self.fields[name] = _number(name, age_years, required=self.required)

    def values(self) -> list[Value]:
        """What was typed, as services take it."""
        given = self.cleaned_data
        return [
            Value(name, given[name], confirmed_reason=self.kept_reasons.get(name, ""), **self._oxygen(name))
            for name in self.kinds
            if given.get(name) is not None
        ]

    def _oxygen(self, name: str) -> dict[str, Any]:
        return {}


class VitalSignsForm(_SetForm):
    """The seven signs of the score; what is left blank is not recorded, and then there is no score."""

    kinds = VITAL_SIGNS
    oxygen_device = OneOf(label="Air or oxygen", choices=[], required=False, nothing="")
    oxygen_flow = NumberField(
        label="Flow", unit="L/min", places=2, scale=3, hard=(0, 80), soft=(0, 60), required=False,
        called="the oxygen flow",
    )  # fmt: skip
    oxygen_fio2 = NumberField(label="FiO2", unit="%", hard=(21, 100), required=False, called="the FiO2")
    consciousness = OneOf(label="Consciousness", choices=[], required=False, nothing="Not recorded")
    pregnant = OneOf(
        label="Pregnant",
        choices=[("yes", "Yes"), ("no", "No")],
        required=False,
        nothing="Not known",
        help_text="The score is not for use in pregnancy, and there is none where this is not known.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["oxygen_device"].choices = _said(OxygenDevice.choices)  # type: ignore[attr-defined]
        self.fields["consciousness"].choices = _said(Consciousness.choices)  # type: ignore[attr-defined]
        if self.age_years < FROM_AGE_YEARS:
            del self.fields["pregnant"]

    @property
    def signs(self) -> list[Any]:
        """The numbers beside the saturation."""
        return [self[name] for name in VITAL_SIGNS if name != "spo2_percent"]

    def clean(self) -> dict[str, Any]:
        """No SpO2 without the oxygen it was measured on, or that this was not recorded."""
        given: dict[str, Any] = super().clean() or self.cleaned_data
        device, amounts = (
            given.get("oxygen_device"),
            [given.get(f"oxygen_{part}") for part in ("flow", "fio2")],
        )
        if given.get("spo2_percent") is None:
            return given
        if not device and "oxygen_device" not in self.errors:
            self.add_error("oxygen_device", "Choose the oxygen: SpO2 cannot be read without it")
        on_none = device in (OxygenDevice.AIR, OxygenDevice.UNKNOWN)
        if on_none and any(each is not None for each in amounts):
            self.add_error("oxygen_flow", "On air, or where the oxygen is not known, there is no flow")
        if (
            device
            and not on_none
            and all(each is None for each in amounts)
            and "oxygen_flow" not in self.errors
        ):
            self.add_error("oxygen_flow", "Enter the flow or the FiO2")
        return given

    def known(self) -> dict[str, Any]:
        """What was seen and asked beside the numbers."""
        given = self.cleaned_data
        pregnant = {"yes": True, "no": False}.get(given.get("pregnant") or "")
        return {"consciousness": given["consciousness"] or "", "pregnant": pregnant}

    def _oxygen(self, name: str) -> dict[str, Any]:
        if name != "spo2_percent":
            return {}
        given = self.cleaned_data
        return {
            "oxygen_device": given["oxygen_device"],
            "oxygen_flow_ml_per_min": given["oxygen_flow"],
            "fio2_percent": given["oxygen_fio2"],
        }


class ExhalationForm(_SetForm):
    """An exhaled volume and its time: time alone gives no flow."""

    kinds = EXHALATION
    required = True
    field_order = [*EXHALATION, "measured_at"]


class ForcedTestForm(_SetForm):
    """The list first, then what was measured. What the screening found is filled in as yes, nothing as no."""

    kinds = FORCED
    reason = forms.CharField(
        label="Why the test is done all the same, as a licensed clinician",
        max_length=500,
        required=False,
        help_text="Only where the list has a yes or an unknown.",
    )

    def __init__(self, *args: Any, found: frozenset[str] = frozenset(), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for row in forced.rows():
            self.fields[list_field(row.key)] = OneOf(
                label=row.words,
                choices=[("yes", "Yes"), ("no", "No"), ("unknown", "Unknown")],
                initial="yes" if row.key in found else None,
                help_text="The screening says yes." if row.key in found else row.note,
            )
        for name, words in (
            ("peak_cough_flow_l_per_min", "Peak cough flow in L/min"),
            ("peak_cough_flow_ml_per_s", "or in L/s"),
        ):
            self.fields[name].label = words

    @property
    def asked_rows(self) -> list[Any]:
        return [self[list_field(row.key)] for row in forced.rows()]

    @property
    def cough(self) -> list[Any]:
        return [self[name] for name in FORCED[:2]]

    @property
    def others(self) -> list[Any]:
        return [self[name] for name in FORCED[2:]]

    def answers(self) -> Mapping[str, str]:
        """The answers by row of the list."""
        return {row.key: self.cleaned_data[list_field(row.key)] for row in forced.rows()}


def list_field(key: str) -> str:
    """The name of the field of a row of the list."""
    return f"list_{key}"


class StrikeForm(ClinicForm):
    """Why a set was entered in error, and the version that was read."""

    reason = forms.CharField(label="Why it was entered in error", max_length=500)
    expect_version = forms.IntegerField(widget=forms.HiddenInput)


def _said(choices: Any) -> list[tuple[Any, str]]:
    return [(value, str(words)[:1].upper() + str(words)[1:]) for value, words in choices]
