"""The forms of accounts, shifts and absences."""

from datetime import date, timedelta
from typing import Any

from django import forms

from clinic.formats import weekday_date
from clinic.forms import ClinicForm, DateField, MomentField, OneOf, SomeOf, TimeField, capitalised
from clinic.staff.models import AbsenceReason, Profession
from clinic.staff.roles import Role
from clinic.units.defaults import STANDARD_MINUTES

TECHNIQUES = [(row.name, row.words) for row in STANDARD_MINUTES if row.kind == "technique"]
NEW_PASSWORD = {"autocomplete": "new-password"}
PASSWORD_HELP = (
    "At least 12 characters; several words are easy to keep. Give it to the person, not to anybody else."  # noqa: S105 (words about one)
)


class AccountForm(ClinicForm):
    """Who somebody is and what they do here."""

    given_name = forms.CharField(label="Given name", max_length=80)
    family_name = forms.CharField(label="Family name", max_length=80)
    role = OneOf(label="Role", choices=capitalised(Role.choices))
    profession = forms.ChoiceField(label="Profession", choices=capitalised(Profession.choices))
    licensed = forms.BooleanField(
        label="Licensed clinician: may document decisions and prescribe", required=False
    )
    phone = forms.CharField(label="Telephone", max_length=40, required=False)


class NewAccountForm(AccountForm):
    """A new account with its first password."""

    username = forms.CharField(label="Name to sign in with", max_length=60)
    password = forms.CharField(
        label="First password", widget=forms.PasswordInput(NEW_PASSWORD), strip=False, help_text=PASSWORD_HELP
    )


class PasswordForm(ClinicForm):
    """A new password for somebody."""

    password = forms.CharField(
        label="New password", widget=forms.PasswordInput(NEW_PASSWORD), strip=False, help_text=PASSWORD_HELP
    )


class ShiftsForm(ClinicForm):
    """The same shift on several days of a week."""

    days = SomeOf(label="Days")
    starts_at = TimeField(label="Starts at")
    ends_at = TimeField(label="Ends at", help_text="A time before the start lies on the next day.")
    break_from = TimeField(label="Break from", required=False)
    break_to = TimeField(label="Break to", required=False)

    def __init__(self, *args: Any, monday: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        week = [monday + timedelta(days=day) for day in range(7)]
        field: Any = self.fields["days"]
        field.choices = [(day.isoformat(), weekday_date(day)) for day in week]
        field.coerce = date.fromisoformat


class AbsenceForm(ClinicForm):
    """From when to when somebody is not there, and why."""

    start = MomentField(label="From")
    end = MomentField(label="To")
    reason = OneOf(label="Reason", choices=capitalised(AbsenceReason.choices))
    words = forms.CharField(label="Note for the lead", max_length=200, required=False)


class TrainingForm(ClinicForm):
    """That somebody is trained for a technique."""

    technique = forms.ChoiceField(label="Technique", choices=TECHNIQUES)
    valid_from = DateField(label="From")
    valid_until = DateField(label="Last day", required=False)
