"""The forms of referrals."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, MomentField, OneOf, capitalised
from clinic.patients.forms import IdentityForm
from clinic.patients.models import DiagnosisGroup
from clinic.referrals.models import ReferralOutcome, Urgency
from clinic.units import selectors as units

OUTCOMES = capitalised(choice for choice in ReferralOutcome.choices if choice[0] != ReferralOutcome.WAITING)


class ReferralFields(ClinicForm):
    """What a referral says."""

    urgency = OneOf(label="Urgency", choices=Urgency.choices)
    reason = forms.CharField(label="Reason", max_length=500, widget=forms.Textarea({"rows": 2}))
    referrer = forms.CharField(label="Who refers", max_length=120)
    referrer_phone = forms.CharField(label="Call back on", max_length=40, required=False)
    diagnosis_group = forms.ChoiceField(
        label="Diagnosis group", choices=capitalised(DiagnosisGroup.choices), initial="other"
    )
    diagnosis = forms.CharField(label="Diagnosis in words", max_length=200, required=False)

    def referral(self) -> dict[str, Any]:
        """The cleaned referral, as services take it."""
        return {name: self.cleaned_data[name] for name in ReferralFields.base_fields}


class TelephoneForm(ReferralFields):
    """A referral by telephone: who, where, why, how urgent, and nothing that can wait."""

    family_name = forms.CharField(label="Family name", max_length=80)
    given_name = forms.CharField(label="Given name", max_length=80)
    birth_date = IdentityForm.base_fields["birth_date"]
    record_number = forms.CharField(label="Record number", max_length=40)
    unit = forms.ModelChoiceField(label="Unit", queryset=None, required=False, empty_label="Not recorded")
    room = forms.CharField(label="Room", max_length=40, required=False)
    not_the_same_reason = forms.CharField(label="Why this is somebody else", max_length=300, required=False)
    field_order = [
        "family_name",
        "given_name",
        "birth_date",
        "record_number",
        "unit",
        "room",
        "urgency",
        "reason",
    ]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"].queryset = units.units()  # type: ignore[attr-defined]

    def clean_record_number(self) -> str:
        """Digits are stored without the spaces they are written with."""
        number: str = self.cleaned_data["record_number"]
        plain = number.replace(" ", "")
        return plain if plain.isdigit() else number

    def identity(self) -> dict[str, Any]:
        """Who the patient is."""
        names = ("family_name", "given_name", "birth_date", "record_number")
        return {name: self.cleaned_data[name] for name in names}

    def details(self) -> dict[str, Any]:
        """Where the patient is; the diagnosis stands on the referral and on the patient."""
        names = ("unit", "room", "diagnosis_group", "diagnosis")
        return {name: self.cleaned_data[name] for name in names}


class WrittenForm(ReferralFields):
    """A written referral of a patient who is registered."""

    received_at = MomentField(label="Received", not_future=True)


class AmendForm(ReferralFields):
    """A corrected referral, with the reason for the change."""

    why = forms.CharField(label="Reason for the change", max_length=300)
    version = forms.IntegerField(widget=forms.HiddenInput)


class DecisionForm(ClinicForm):
    """How a referral ends."""

    outcome = OneOf(label="Outcome", choices=OUTCOMES)
    reason = forms.CharField(
        label="Reason", max_length=500, required=False, widget=forms.Textarea({"rows": 2}),
        help_text="Wanted for not indicated, redirected (to whom), more information (which), and for any change.",
    )  # fmt: skip
    duplicate_of = forms.ModelChoiceField(
        label="Duplicate of",
        queryset=None,
        required=False,
        empty_label="None",
        help_text="Only for a duplicate.",
    )
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, others: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["duplicate_of"]
        field.queryset = others
        field.label_from_instance = _in_words
        if not others:
            del self.fields["duplicate_of"]


def _in_words(referral: Any) -> str:
    from clinic.formats import date

    return f"{date(referral.received_at)}, {referral.get_urgency_display()}: {referral.reason[:60]}"


class UploadForm(ClinicForm):
    """A file of referrals."""

    file = forms.FileField(label="CSV file", widget=forms.ClearableFileInput({"accept": ".csv,text/csv"}))
