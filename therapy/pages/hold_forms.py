"""The form on a patient's holds page: who was told by telephone or in person, and what they said."""

from typing import Any

from django import forms

from clinic.forms import OneOf
from therapy.sessions.stop_forms import ToldForm


class HoldToldForm(ToldForm):
    """Who was told of which hold."""

    technique = OneOf(label="About", choices=[])

    field_order = ("told_id", "technique", "who", "how", "at", "said")

    def __init__(self, *args: Any, techniques: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["technique"]
        if isinstance(field, forms.TypedChoiceField):
            field.choices = techniques
        if len(techniques) == 1:
            field.initial = techniques[0][0]
