"""The form that proposes a lift, and the one that ends it early."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, MomentField, OneOf
from clinic.staff.models import Person
from screening.lifts import selectors
from screening.lifts.models import SignatureGiven

NO_ACCOUNT = "none"


class LiftForm(ClinicForm):
    """Who prescribes it, why, and until when. A prescriber with an account signs while signed in."""

    prescriber_account = forms.ChoiceField(label="The prescriber")
    prescriber = forms.CharField(
        label="Name of a prescriber without an account",
        max_length=120,
        required=False,
        help_text="Whoever has an account is chosen above and signs while signed in.",
    )
    given = OneOf(
        label="How a prescriber without an account gave it",
        called="how it was given",
        choices=[
            (SignatureGiven.WRITTEN, "In writing, signed; I have seen it"),
            (SignatureGiven.TELEPHONE, "By telephone; I read it back"),
        ],
        required=False,
        nothing="Not applicable",
    )
    reason = forms.CharField(label="The reason in words", max_length=500, widget=forms.Textarea({"rows": 3}))
    expires_at = MomentField(label="Counts until", called="the end", not_past=True)
    lift_id = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.people: dict[str, Person] = {str(one.pk): one for one in selectors.licensed_people()}
        field = self.fields["prescriber_account"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - says to the type checker what stands above
        field.choices = [
            ("", "Choose one"),
            *((key, str(one)) for key, one in self.people.items()),
            (NO_ACCOUNT, "Somebody without an account"),
        ]

    def clean(self) -> dict[str, Any]:
        """The name and how it was given belong to a prescriber without an account, and to no other."""
        cleaned = super().clean() or self.cleaned_data
        chosen = cleaned.get("prescriber_account")
        if chosen == NO_ACCOUNT:
            if not cleaned.get("prescriber"):
                self.add_error("prescriber", "Enter the name of the prescriber")
            if not cleaned.get("given"):
                self.add_error("given", "Choose how the prescriber gave it")
        elif chosen and cleaned.get("prescriber"):
            self.add_error(
                "prescriber", "Leave the name empty: the account chosen above names the prescriber"
            )
        return cleaned

    def answers(self) -> dict[str, Any]:
        """What was entered, as the service takes it."""
        given = dict(self.cleaned_data)
        given["prescriber_account"] = self.people.get(given["prescriber_account"])
        return given


class EndForm(ClinicForm):
    """Why a lift ends early."""

    reason = forms.CharField(label="Why it ends now", max_length=500, widget=forms.Textarea({"rows": 2}))
