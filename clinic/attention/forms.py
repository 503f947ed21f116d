"""The forms of flags and notices."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, MomentField
from clinic.staff import selectors as staff


class CloseForm(ClinicForm):
    """What was done about it."""

    words = forms.CharField(
        label="What was done", max_length=500, widget=forms.Textarea({"rows": 3}), strip=True
    )


class PutOffForm(ClinicForm):
    """Until when it can wait, and why."""

    until = MomentField(label="Put off until", not_past=True)
    reason = forms.CharField(label="Why it can wait", max_length=500)


class HandOnForm(ClinicForm):
    """Who looks after it from now on."""

    owner = forms.ModelChoiceField(label="Who looks after it", queryset=None, empty_label="Choose a person")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["owner"].queryset = staff.therapists(with_lead=True)  # type: ignore[attr-defined]


class AnswerForm(ClinicForm):
    """A word back, if any."""

    words = forms.CharField(label="Answer", max_length=500, required=False)
