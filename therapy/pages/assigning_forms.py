"""The forms of assigning and of sharing out: one choice of therapist for each patient."""

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

from django import forms

from clinic.forms import ClinicForm
from clinic.models import Person
from therapy.pages.assigning import Therapist


def _choices(offered: Iterable[Therapist], *, empty: str) -> list[tuple[str, str]]:
    return [("", empty), *((str(one.person.pk), one.words) for one in offered)]


class ManyForm(ClinicForm):
    """A therapist for each of several patients; whoever is left empty stays as they are."""

    mark_optional = False

    def __init__(
        self,
        *args: Any,
        names: Mapping[UUID, str],
        offered: Iterable[Therapist],
        proposed: Mapping[UUID, Person | None] | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.people = {str(one.person.pk): one.person for one in offered}
        choices = _choices(offered, empty="Leave for now")
        for patient_id, name in names.items():
            person = (proposed or {}).get(patient_id)
            self.fields[str(patient_id)] = forms.ChoiceField(
                label=f"Therapist for {name}",
                choices=choices,
                required=False,
                initial=str(person.pk) if person else "",
            )

    def clean(self) -> dict[str, Any]:
        """At least one patient must be given to somebody."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if not self.errors and not any(cleaned.values()):
            self.add_error(None, "Choose a therapist for at least one patient")
        return cleaned

    def chosen(self) -> dict[UUID, Person]:
        """Patient id to therapist."""
        return {UUID(key): self.people[value] for key, value in self.cleaned_data.items() if value}

    def field_of(self, patient_id: UUID) -> Any:
        """The field of one patient, for the template."""
        return self[str(patient_id)]


class OneForm(ClinicForm):
    """A therapist for one patient."""

    therapist = forms.ChoiceField(label="Therapist")
    reason = forms.CharField(
        label="Reason", max_length=300, required=False, help_text="Wanted where another therapist takes over."
    )

    def __init__(self, *args: Any, offered: Iterable[Therapist], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.people = {str(one.person.pk): one.person for one in offered}
        field: Any = self.fields["therapist"]
        field.choices = _choices(offered, empty="Choose a therapist")

    def person(self) -> Person:
        """The therapist who was chosen."""
        return self.people[self.cleaned_data["therapist"]]
