"""The forms of the day schedule: give a window, move a visit, take it back, give all in order."""

from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils import timezone

from clinic.calendar import instant_of
from clinic.forms import ClinicForm, DateField, NumberField, TimeField
from clinic.models import Person
from therapy.scheduling.selectors import active_therapists
from therapy.scheduling.services import MOST_MINUTES


class PlaceForm(ClinicForm):
    """Who treats, and when."""

    therapist = forms.TypedChoiceField(label="Therapist", coerce=int)
    second = forms.TypedChoiceField(label="Second therapist", coerce=int, required=False, empty_value=None)
    start = TimeField(label="Time", help_text="24 hours, like 09:45.")

    def __init__(self, *args: Any, day: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.day = day
        self.people = active_therapists()
        named = [(person.pk, str(person)) for person in self.people.values()]
        self.fields["therapist"].choices = [("", "Choose"), *named]  # type: ignore[attr-defined]  # a choice field
        self.fields["second"].choices = [("", "Nobody"), *named]  # type: ignore[attr-defined]  # as above

    @property
    def therapists(self) -> list[Person]:
        """Everyone chosen, each once."""
        chosen = dict.fromkeys((self.cleaned_data["therapist"], self.cleaned_data["second"]))
        return [self.people[key] for key in chosen if key is not None]

    def start_at(self, earliest: datetime | None, latest: datetime | None) -> datetime:
        """The instant of the time typed: on the day of the schedule, or past midnight where the window goes there."""
        typed = self.cleaned_data["start"]
        same_day = _instant(self.day, typed)
        next_day = _instant(self.day + timedelta(days=1), typed)
        if earliest is not None and latest is not None and same_day < earliest <= next_day <= latest:
            return next_day
        return same_day


class GiveForm(PlaceForm):
    """Gives a due window."""

    minutes = NumberField(label="Minutes", unit="min", hard=(1, MOST_MINUTES))


class MoveForm(PlaceForm):
    """Moves a visit."""

    reason = forms.CharField(label="Reason", max_length=300, required=False)


class TakeBackForm(ClinicForm):
    """Takes a visit off the schedule."""

    why = forms.CharField(label="Why it is taken off", max_length=300)


class DayForm(ClinicForm):
    """Asks for another day of the schedule."""

    other = DateField(label="Another day")


def _instant(day: date, wall_time: time) -> datetime:
    return instant_of(day, wall_time, ZoneInfo(timezone.get_default_timezone_name()))


def day_asked_for(query: Any) -> date:
    """The day of the address, today where none or none that can be read is named."""
    try:
        return date.fromisoformat(query.get("date", ""))
    except ValueError:
        return timezone.localdate()
