"""The form that asks for the report of a week."""

from typing import Any

from django import forms

from clinic import formats
from clinic.calendar import Week
from clinic.forms import ClinicForm


class WeekForm(ClinicForm):
    """Which week: this one as far as it has come, or one of those before."""

    week = forms.ChoiceField(label="Week")

    def __init__(self, *args: Any, this_week: Week, weeks: int = 12, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [(str(this_week), f"This week so far, from {formats.date(this_week.first_day)}")]
        for back in range(1, weeks + 1):
            week = this_week.shifted(-back)
            days = formats.date_range(week.first_day, week.last_day)
            choices.append((str(week), f"Week {week.number}, {days}"))
        self.fields["week"].choices = choices  # type: ignore[attr-defined]  # a ChoiceField

    def clean_week(self) -> Week:
        """The week itself."""
        return Week.parse(self.cleaned_data["week"])
