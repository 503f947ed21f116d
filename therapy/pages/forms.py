"""The form of the search page."""

from django import forms

from clinic.forms import ClinicForm


class SearchForm(ClinicForm):
    """A name, or a number; two letters at least, so that the list stays readable."""

    words = forms.CharField(
        label="Name or number",
        help_text="The beginning of a family or given name, or of a record number.",
        min_length=2,
        max_length=80,
        error_messages={
            "required": "Enter a name or a number",
            "min_length": "Name or number must have at least 2 letters or digits",
        },
    )
