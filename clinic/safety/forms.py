"""The forms of a safety concern and of its answer."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, OneOf, capitalised
from clinic.safety.models import Harmed, WhatKind
from clinic.safety.services import LONGEST

SEVERITIES = [
    ("1", "Discomfort"),
    ("2", "Minor injury"),
    ("3", "Needs treatment"),
    ("4", "Lasting harm"),
    ("5", "Death"),
]


class ConcernForm(ClinicForm):
    """What happened; the rest may be left open, so that reporting takes one field."""

    words = forms.CharField(
        label="What happened, or nearly happened",
        max_length=LONGEST,
        widget=forms.Textarea({"rows": 5}),
        help_text="What you saw, what you expected, and what you did. Do not write names: "
        "the page is kept with the report, and with it whom the page is about.",
    )
    harmed = OneOf(
        label="Was somebody harmed",
        choices=[("yes", "Yes"), ("no", "No")],
        required=False,
        nothing="Not known",
    )
    kind = OneOf(
        label="What it is about", choices=capitalised(WhatKind.choices), required=False, nothing="Not chosen"
    )
    severity = OneOf(
        label="How bad it could be if it happens again",
        choices=SEVERITIES,
        required=False,
        nothing="Not judged",
        coerce=int,
        empty_value=None,
    )
    page = forms.CharField(widget=forms.HiddenInput, required=False)
    patient_id = forms.CharField(widget=forms.HiddenInput, required=False)
    app_version = forms.CharField(widget=forms.HiddenInput, required=False)
    concern_id = forms.UUIDField(widget=forms.HiddenInput, required=False)

    def concern(self) -> dict[str, Any]:
        """The cleaned report, as the service takes it."""
        return {**self.cleaned_data, "harmed": self.cleaned_data["harmed"] or Harmed.UNKNOWN}


class AnswerForm(ClinicForm):
    """What was done about it."""

    words = forms.CharField(
        label="What was done",
        max_length=LONGEST,
        widget=forms.Textarea({"rows": 4}),
        help_text="Whoever reported it reads this. Do not write names of patients.",
    )
