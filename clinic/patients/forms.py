"""The forms of patients: entering, correcting, what is in force, leaving."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, DateField, MomentField, NumberField, OneOf, capitalised
from clinic.patients.models import DiagnosisGroup, Isolation, Sex
from clinic.patients.rules import check_digit_is_right
from clinic.units import selectors as units


class IdentityForm(ClinicForm):
    """Who a patient is."""

    family_name = forms.CharField(label="Family name", max_length=80)
    given_name = forms.CharField(label="Given name", max_length=80)
    birth_date = DateField(label="Birth date", not_future=True)
    record_number = forms.CharField(
        label="Record number", max_length=40, help_text="The number of this hospital or clinic."
    )
    national_number = forms.CharField(label="National number", max_length=20, required=False)
    preferred_name = forms.CharField(label="Likes to be called", max_length=80, required=False)
    title = forms.CharField(label="Title", max_length=20, required=False)
    phone = forms.CharField(label="Telephone", max_length=40, required=False)
    address = forms.CharField(label="Address", max_length=300, required=False)
    contact_name = forms.CharField(label="Whom to call", max_length=120, required=False)
    contact_phone = forms.CharField(label="Their telephone", max_length=40, required=False)
    number_is_right = forms.BooleanField(
        label="The national number is right as it is written", required=False
    )

    def clean_record_number(self) -> str:
        """Digits are stored without the spaces they are written with."""
        number: str = self.cleaned_data["record_number"]
        plain = number.replace(" ", "")
        return plain if plain.isdigit() else number

    def clean(self) -> dict[str, Any]:
        """Ask once about a national number whose check digit does not fit."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        number = cleaned.get("national_number", "")
        if number and not check_digit_is_right(number) and not cleaned.get("number_is_right"):
            self.ask_number = True
            self.add_error(
                "national_number",
                "The check digit of the national number does not fit. Correct it, or say that it is right",
            )
        return cleaned

    ask_number = False

    def identity(self) -> dict[str, Any]:
        """The cleaned identity, as services take it."""
        return {name: value for name, value in self.cleaned_data.items() if name in _IDENTITY}


_IDENTITY = {
    "family_name", "given_name", "birth_date", "record_number", "national_number", "preferred_name", "title", "phone",
    "address", "contact_name", "contact_phone",
}  # fmt: skip


class DetailsForm(ClinicForm):
    """Where a patient is and what the diagnosis is."""

    unit = forms.ModelChoiceField(label="Unit", queryset=None, required=False, empty_label="Not recorded")
    room = forms.CharField(label="Room", max_length=40, required=False)
    sex = OneOf(
        label="Gender",
        choices=capitalised(choice for choice in Sex.choices if choice[0] != Sex.UNKNOWN),
        required=False,
    )
    diagnosis_group = forms.ChoiceField(
        label="Diagnosis group",
        # Nobody has a diagnosis because it stands first in the list.
        choices=[("", "Choose one"), *capitalised(DiagnosisGroup.choices)],
    )
    diagnosis = forms.CharField(label="Diagnosis in words", max_length=200, required=False)
    language = forms.CharField(label="Interpreter needed for", max_length=40, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"].queryset = units.units()  # type: ignore[attr-defined]

    def clean_sex(self) -> str:
        """No answer is "not recorded"."""
        return self.cleaned_data["sex"] or Sex.UNKNOWN


class PatientForm(IdentityForm, DetailsForm):
    """A new patient by hand."""

    not_the_same_reason = forms.CharField(
        label="Why this is somebody else",
        max_length=300,
        required=False,
        help_text="Only where somebody similar was shown.",
    )
    field_order = [
        "family_name",
        "given_name",
        "birth_date",
        "record_number",
        "sex",
        "unit",
        "room",
        "diagnosis_group",
    ]

    def details(self) -> dict[str, Any]:
        """The cleaned details, as services take them."""
        return {name: self.cleaned_data[name] for name in DetailsForm.base_fields}


class _Versioned(ClinicForm):
    version = forms.IntegerField(widget=forms.HiddenInput)


class AmendIdentityForm(IdentityForm, _Versioned):
    """A corrected identity, with the reason."""

    reason = forms.CharField(label="Reason for the change", max_length=300)


class AmendDetailsForm(DetailsForm, _Versioned):
    """Changed details; a move alone needs no reason."""

    reason = forms.CharField(
        label="Reason for the change",
        max_length=300,
        required=False,
        help_text="Not needed where only unit or room change.",
    )


class IsolationForm(ClinicForm):
    """The precautions in force from now on."""

    kind = OneOf(label="Precautions", choices=Isolation.choices)
    words = forms.CharField(
        label="What to wear", max_length=200, required=False, help_text="Like: gown, gloves."
    )
    reason = forms.CharField(label="Why it changes", max_length=300, required=False)


class GoalForm(ClinicForm):
    """The goal of care from now on."""

    words = forms.CharField(label="Goal of care", max_length=500, widget=forms.Textarea({"rows": 3}))
    comfort_only = forms.BooleanField(label="Comfort care only", required=False)
    reason = forms.CharField(label="Why it changes", max_length=300, required=False)


class TargetForm(ClinicForm):
    """The target range of oxygen saturation from now on, as prescribed for this patient."""

    low_percent = NumberField(label="Target from", unit="%", hard=(50, 99))
    high_percent = NumberField(label="Target to", unit="%", hard=(51, 100))
    stop_below_percent = NumberField(label="Stop a treatment below", unit="%", hard=(50, 99), required=False)
    reason = forms.CharField(label="Who prescribed it, or why it changes", max_length=300)


class LeavingForm(ClinicForm):
    """A discharge or a death."""

    how = OneOf(label="What happened", choices=[("discharged", "Discharged"), ("died", "Died")])
    at = MomentField(label="When", not_future=True)
    reason = forms.CharField(label="Reason, or where to", max_length=300)


class EmergencyForm(ClinicForm):
    """Emergency access: the exact number and birth date, and the reason."""

    record_number = forms.CharField(label="Record number", max_length=40)
    birth_date = DateField(label="Birth date", not_future=True)
    reason = forms.CharField(label="Why you need this record now", max_length=300)


class HandoverForm(ClinicForm):
    """A hand-over note to a colleague."""

    to = forms.ModelChoiceField(label="For", queryset=None, empty_label="Choose a colleague")
    words = forms.CharField(label="Note", max_length=1000, widget=forms.Textarea({"rows": 4}))

    def __init__(self, *args: Any, receivers: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = receivers  # type: ignore[attr-defined]
