"""The base of every form: fields of the trade, errors that say what to do, and the answer to an invalid one.

A form here keeps what was typed, drops stray spaces, names each error after its field, and asks once where a
value is unusual but possible. `respond_invalid` shows it again with status 422.
"""

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from clinic import formats
from clinic.form_fields import (
    ChoiceButtons,
    DateBoxes,
    DateField,
    MomentBoxes,
    MomentField,
    NumberField,
    OneOf,
    Question,
    SomeOf,
    TickButtons,
    TimeField,
    UnitInput,
    in_a_sentence,
    spoken_range,
    within,
)

__all__ = [
    "ChoiceButtons",
    "ClinicForm",
    "ClinicModelForm",
    "DateBoxes",
    "DateField",
    "MomentBoxes",
    "MomentField",
    "NumberField",
    "OneOf",
    "SomeOf",
    "TickButtons",
    "TimeField",
    "UnitInput",
    "capitalised",
    "differences",
    "posted",
    "refuse",
    "respond_invalid",
]

_CHOSEN = (forms.ChoiceField, forms.ModelChoiceField, forms.FileField)


class ClinicBoundField(forms.BoundField):
    """A field of a clinic form, with what its template needs beyond Django's own."""

    @property
    def unit(self) -> str:
        """The unit, for the label."""
        return getattr(self.field, "unit", "")

    @property
    def range_words(self) -> str:
        """The hard range, for the label."""
        return getattr(self.field, "range_words", "")

    @property
    def optional(self) -> bool:
        """Whether the label says "(optional)"; buttons have a choice for no answer instead."""
        form: Any = self.form
        says_so_itself = isinstance(self.field, (forms.BooleanField, OneOf))
        return form.mark_optional and not self.field.required and not says_so_itself

    @property
    def question(self) -> Question | None:
        """What the soft range asks about this value, if it does."""
        form: Any = self.form
        return form.questions.get(self.name)

    @property
    def kind(self) -> str:
        """How the field is laid out: tick (one check box), group, or box."""
        if isinstance(self.field.widget, forms.CheckboxInput):
            return "tick"
        return "group" if self.use_fieldset else "box"

    @property
    def first_id(self) -> str:
        """The id of the first thing to answer, where an error summary links to."""
        if isinstance(
            self.field.widget, (forms.MultiWidget, forms.RadioSelect, forms.CheckboxSelectMultiple)
        ):
            return f"{self.auto_id}_0"
        return str(self.auto_id)


class ClinicFormMixin:
    """What ClinicForm and ClinicModelForm share."""

    use_required_attribute = False
    bound_field_class = ClinicBoundField
    mark_optional = True
    # Filled while cleaning: what was asked about, and the reason given, by field name.
    questions: dict[str, Question]
    kept_reasons: dict[str, str]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.questions = {}
        self.kept_reasons = {}
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)
        for field in self.fields.values():  # type: ignore[attr-defined]
            _word_errors(field)

    def add_error(self, field: str | None, error: Any) -> None:
        """Add an error, with the field's name put into its message."""
        label, called = "", ""
        if field and field in self.fields:  # type: ignore[attr-defined]
            label = str(self[field].label)  # type: ignore[index]
            called = getattr(self.fields[field], "called", "")  # type: ignore[attr-defined]
        super().add_error(field, _named(error, called or label))  # type: ignore[misc]

    def _clean_fields(self) -> None:
        super()._clean_fields()  # type: ignore[misc]
        for name, bound in self._bound_items():  # type: ignore[attr-defined]
            if isinstance(bound.field, NumberField) and name in self.cleaned_data:  # type: ignore[attr-defined]
                self._ask_beyond_usual(bound)

    def _ask_beyond_usual(self, bound: Any) -> None:
        field, value = bound.field, self.cleaned_data[bound.name]  # type: ignore[attr-defined]
        if value is None or field.soft is None or within(field.as_number(value), field.soft):
            return
        number: Decimal = field.as_number(value)
        confirm_name, reason_name = f"{bound.html_name}_asked", f"{bound.html_name}_why"
        data: Any = self.data  # type: ignore[attr-defined]
        # The answer names the value it was given for: another value is asked about again.
        confirmed = str(data.get(confirm_name, "")) == formats.number(number)
        reason = str(data.get(reason_name, "")).strip()
        name = _capital(field.called or str(bound.label))
        usual = (
            f"{formats.number(number)} is unusual: {name} is usually {spoken_range(field.soft, field.unit)}"
        )
        wanted = ""
        if not confirmed:
            wanted = "Correct it, or say that it is right and why"
        elif not reason:
            wanted = f"Enter why {formats.number(number)} is right for {in_a_sentence(name)}"
        self.questions[bound.name] = Question(
            value=formats.number(number),
            usual=usual,
            confirm_name=confirm_name,
            reason_name=reason_name,
            reason=reason,
            confirmed=confirmed,
            wanted=wanted,
        )
        if wanted:
            words = wanted if confirmed else f"{usual}. {wanted}"
            self.add_error(bound.name, ValidationError(words, code="asked"))
        else:
            self.kept_reasons[bound.name] = reason


class ClinicForm(ClinicFormMixin, forms.Form):
    """A form of the clinic; after cleaning, `kept_reasons` holds the reason for each unusual value."""


class ClinicModelForm(ClinicFormMixin, forms.ModelForm):  # type: ignore[type-arg]
    """A form over one setting's fields; services still do the writing."""


def capitalised(choices: Any) -> list[tuple[Any, str]]:
    """Choices as they stand on buttons: `off sick` becomes `Off sick`, `COPD` stays."""
    return [(value, _capital(str(words))) for value, words in choices]


def posted(request: HttpRequest) -> Any:
    """What was sent, for a form: None on a GET, so that an empty POST is an empty answer and not a fresh form."""
    return request.POST if request.method == "POST" else None


def refuse(form: forms.BaseForm, refused: ValueError) -> None:
    """Show what a service refused (its `field` and `message`) on the form it came from."""
    field = getattr(refused, "field", None)
    form.add_error(field if field in form.fields else None, getattr(refused, "message", str(refused)))


def differences(form: forms.Form, stored: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Where a record that somebody else changed differs from what was typed: (label, stored now, typed), in words.

    Args:
        stored: what the record is now, by the name of the form's field, in the form in which it is cleaned.
    """
    return [
        (str(form[name].label), _in_words(field, stored[name]), _in_words(field, form.cleaned_data[name]))
        for name, field in form.fields.items()
        if name in stored
        and name in form.cleaned_data
        and not field.widget.is_hidden
        and _plain(stored[name]) != _plain(form.cleaned_data[name])
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, (list, tuple)):
        return [str(each) for each in value]
    return (
        value.replace(second=0, microsecond=0)
        if isinstance(value, dt.time)
        else value or (value == 0 and "0")
    )


def _in_words(field: forms.Field, value: Any) -> str:
    if isinstance(field, forms.BooleanField):
        return "yes" if value else "no"
    choices = {str(key): str(words) for key, words in getattr(field, "choices", ())}
    if isinstance(value, (list, tuple)):
        return ", ".join(choices.get(str(each), str(each)) for each in value)
    if isinstance(value, dt.date):
        return formats.date(value)
    shown = field.prepare_value(value)
    words = "" if shown is None else choices.get(str(shown), str(shown))
    unit = getattr(field, "unit", "")
    return f"{words} {unit}".strip() if words else ""


def respond_invalid(
    request: HttpRequest, template: str, context: dict[str, Any] | None = None
) -> HttpResponse:
    """Show the filled form again: status 422, a title that starts with "Error:"."""
    return render(request, template, {**(context or {}), "invalid": True}, status=422)


def _word_errors(field: forms.Field) -> None:
    """Word the messages that a field did not word for itself."""
    ours = {
        "required": "Choose {the_name}" if isinstance(field, _CHOSEN) else "Enter {the_name}",
        "invalid_choice": "Choose {the_name} from the list",
        "max_length": "{name} must be %(limit_value)d characters or fewer",
        "min_length": "{name} must be %(limit_value)d characters or more",
    }
    # Django's own ten lines push the rest of a bedside page out of sight.
    if isinstance(field.widget, forms.Textarea) and field.widget.attrs.get("rows") == "10":
        field.widget.attrs.update({"rows": "3", "cols": "60"})
    if isinstance(field, forms.BooleanField):
        ours["required"] = "Tick: {name}"
    usual: dict[str, Any] = {}
    for base in reversed(type(field).__mro__):
        usual.update(getattr(base, "default_error_messages", {}))
    for code, words in ours.items():
        if field.error_messages.get(code) == usual.get(code):
            field.error_messages[code] = words


def _named(error: Any, called: str) -> Any:
    """Put the field's name where a message has a place for it."""
    if isinstance(error, str):
        error = ValidationError(error)
    if isinstance(error, ValidationError) and not hasattr(error, "error_dict"):
        for single in error.error_list:
            message = str(single.message)
            single.message = message.replace("{name}", _capital(called) or "This").replace(
                "{the_name}", in_a_sentence(called) or "this"
            )
    return error


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
