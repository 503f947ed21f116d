"""The form fields of the trade: numbers with unit and range, dates, times, choices as large buttons.

A field says what is wrong in words to act on ("Enter the pulse", "Pulse must be between 20 and 250").
Import them from clinic.forms.
"""

import datetime as dt
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from clinic import calendar, formats

Limits = tuple[Decimal | int | str | None, Decimal | int | str | None]

_SPACES = re.compile(r"[\s\u00a0\u202f]+")
_THOUSANDS = re.compile(r"-?\d{1,3}(,\d{3})+(\.\d+)?", re.ASCII)
_PLAIN_NUMBER = re.compile(r"-?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2})\s*[:.h ]?\s*(\d{2})", re.ASCII)
_MONTH_NUMBERS = {month[:3].lower(): index for index, month in enumerate(formats.MONTHS_IN_FULL, start=1)}


def in_a_sentence(label: str) -> str:
    """Take a label into a sentence: `Birth date` becomes `birth date`, `SpO2` and `MI-E` stay."""
    first = label.split(" ", 1)[0]
    return label if any(c.isupper() or c.isdigit() for c in first[1:]) else label[:1].lower() + label[1:]


def spoken_range(limits: Limits, unit: str) -> str:
    """Write limits as `between 50 and 100 %`, `20 or more`, `100 or less`."""
    low, high = (None if edge is None else formats.number(Decimal(edge)) for edge in limits)
    beside = f" {unit}" if unit else ""
    if low is None:
        return f"{high}{beside} or less"
    if high is None:
        return f"{low}{beside} or more"
    return f"between {low} and {high}{beside}"


def within(value: Decimal, limits: Limits) -> bool:
    """Tell whether a value lies within limits, both ends included."""
    low, high = limits
    return (low is None or value >= Decimal(low)) and (high is None or value <= Decimal(high))


class UnitInput(forms.TextInput):
    """A text box with the unit beside it; never `type=number`, which a turn of the wheel changes."""

    template_name = "components/unit_input.html"

    def __init__(self, unit: str, *, places: int, signed: bool, width: int) -> None:
        attrs = {"autocomplete": "off", "spellcheck": "false", "class": f"width-{width}"}
        if not signed:
            attrs["inputmode"] = "decimal" if places else "numeric"
        super().__init__(attrs)
        self.unit = unit

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        context["widget"]["unit"] = self.unit
        return context


class NumberField(forms.Field):
    """A number with its unit.

    Args:
        unit: the unit, shown in the label and beside the box; it may be typed too and is dropped.
        places: how many decimal places may be given; 0 gives an int, else a Decimal.
        scale: give the value as an integer of 10**-scale instead (scale=1: tenths), as it is stored.
        hard: (low, high), either may be None; a value outside is refused.
        soft: (low, high); a value outside is asked about once, and the form keeps the reason.
        called: the name in messages, where the label does not do ("the pulse before").
    """

    def __init__(
        self,
        *,
        unit: str = "",
        places: int = 0,
        scale: int | None = None,
        hard: Limits = (None, None),
        soft: Limits | None = None,
        called: str = "",
        **kwargs: Any,
    ) -> None:
        self.unit, self.places, self.scale, self.hard, self.soft, self.called = (
            unit,
            places,
            scale,
            hard,
            soft,
            called,
        )
        signed = hard[0] is None or Decimal(hard[0]) < 0
        width = 5 if hard[1] is not None and Decimal(hard[1]) < 10_000 else 8
        kwargs.setdefault("widget", UnitInput(unit, places=places, signed=signed, width=width))
        super().__init__(**kwargs)

    @property
    def range_words(self) -> str:
        """The hard range as it stands in the label: `50 to 100`."""
        low, high = (None if edge is None else formats.number(Decimal(edge)) for edge in self.hard)
        if low is not None and high is not None:
            return f"{low} to {high}"
        if low is None and high is None:
            return ""
        return f"{low} or more" if high is None else f"{high} or less"

    def prepare_value(self, value: Any) -> Any:
        """Show a stored number as it is typed; what was typed stays as it is."""
        if isinstance(value, int) and not isinstance(value, bool) and self.scale is not None:
            return formats.number(value, scale=self.scale).replace(",", "")
        if isinstance(value, (Decimal, float)):
            return formats.number(value).replace(",", "")
        return value

    def to_python(self, value: Any) -> Decimal | None:
        """Read a typed number: stray spaces and the unit are dropped, thousands commas understood."""
        if value is None or isinstance(value, (int, Decimal)):
            return None if value is None else Decimal(value)
        text = str(value).strip().replace("\u2212", "-")
        if self.unit and text.lower().endswith(self.unit.lower()):
            text = text[: -len(self.unit)]
        text = _SPACES.sub("", text)
        if not text:
            return None
        if _THOUSANDS.fullmatch(text):
            text = text.replace(",", "")
        if not _PLAIN_NUMBER.fullmatch(text):
            raise ValidationError("{name} must be a number, like " + self._example(), code="type")
        try:
            return Decimal(text)
        except InvalidOperation as error:
            raise ValidationError("{name} must be a number, like " + self._example(), code="type") from error

    def validate(self, value: Any) -> None:
        """Refuse what is missing, too precise or outside the hard range."""
        if value is None:
            if self.required:
                raise ValidationError("Enter {the_name}", code="required")
            return
        exponent = value.normalize().as_tuple().exponent
        if isinstance(exponent, int) and -exponent > self.places:
            precision = f"have at most {formats.count(self.places, 'decimal place')}" if self.places else ""
            raise ValidationError("{name} must " + (precision or "be a whole number"), code="places")
        if not within(value, self.hard):
            raise ValidationError("{name} must be " + spoken_range(self.hard, self.unit), code="range")

    def clean(self, value: Any) -> Any:
        """Read and check; the form puts the field's name into the messages."""
        number = self.to_python(value)
        self.validate(number)
        return None if number is None else self._stored(number)

    def as_number(self, stored: Any) -> Decimal:
        """Take a cleaned value back to the number that was typed."""
        return Decimal(stored).scaleb(-(self.scale or 0))

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare as numbers, so that `10` and `10.0` are the same."""
        try:
            return self.to_python(self.prepare_value(initial)) != self.to_python(data)
        except ValidationError:
            return True

    def _stored(self, number: Decimal) -> Any:
        if self.scale is not None:
            return int(number.scaleb(self.scale))
        return number if self.places else int(number)

    def _example(self) -> str:
        low, high = self.soft or self.hard
        if low is not None and high is not None:
            middle = (Decimal(low) + Decimal(high)) / 2
            return formats.number(middle.quantize(Decimal(1).scaleb(-min(self.places, 1))))
        return "12.5" if self.places else "12"


class _Boxes(forms.MultiWidget):
    """Several labelled boxes that make one answer."""

    template_name = "components/boxes.html"
    box_labels: tuple[str, ...] = ()

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        for box, label in zip(context["widget"]["subwidgets"], self.box_labels, strict=True):
            box["box_label"] = label
        return context


def _box(width: int, *, numeric: bool = True, **attrs: str) -> forms.TextInput:
    more = {"inputmode": "numeric"} if numeric else {}
    return forms.TextInput({"autocomplete": "off", "class": f"width-{width}", **more, **attrs})


class DateBoxes(_Boxes):
    """Day, month and year; posted as NAME_day, NAME_month, NAME_year."""

    box_labels = ("Day", "Month", "Year")

    def __init__(self) -> None:
        super().__init__({"day": _box(2), "month": _box(4, numeric=False), "year": _box(4)})

    def decompress(self, value: Any) -> list[Any]:
        """Split a date into its boxes, the month as `Mar`."""
        return [value.day, formats.MONTHS[value.month - 1], value.year] if value else [None, None, None]


class DateField(forms.Field):
    """A known date, as day, month (number or name) and year.

    Args:
        not_future: refuse a day after today.
        not_past: refuse a day before today.
        called: the name in messages, where the label does not do.
    """

    def __init__(
        self, *, not_future: bool = False, not_past: bool = False, called: str = "", **kwargs: Any
    ) -> None:
        self.not_future, self.not_past, self.called = not_future, not_past, called
        kwargs.setdefault("widget", DateBoxes())
        super().__init__(**kwargs)

    def clean(self, value: Any) -> dt.date | None:
        """Read the boxes; missing parts are named before an impossible date is."""
        if isinstance(value, dt.date):
            return self._in_bounds(value)
        parts = [str(part or "").strip() for part in (value or ["", "", ""])[:3]]
        if not any(parts):
            if self.required:
                raise ValidationError("Enter {the_name}", code="required")
            return None
        missing = [word for word, part in zip(("a day", "a month", "a year"), parts, strict=True) if not part]
        if missing:
            raise ValidationError("{name} must include " + " and ".join(missing), code="incomplete")
        return self._in_bounds(_real_date(parts))

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare as dates."""
        try:
            return self.clean(data) != initial if any(data or []) else initial is not None
        except ValidationError:
            return True

    def _in_bounds(self, day: dt.date) -> dt.date:
        today = timezone.localdate()
        if self.not_future and day > today:
            raise ValidationError("{name} must be today or in the past", code="future")
        if self.not_past and day < today:
            raise ValidationError("{name} must be today or in the future", code="past")
        return day


def _real_date(parts: Sequence[str]) -> dt.date:
    day, month, year = parts
    number = _MONTH_NUMBERS.get(month[:3].lower()) if month[:1].isalpha() else _digits(month)
    if len(year) != 4:
        raise ValidationError("{name} must have a year of four digits, like 1958", code="year")
    try:
        return dt.date(_digits(year) or 0, number or 0, _digits(day) or 0)
    except ValueError as error:
        raise ValidationError("{name} must be a real date", code="real") from error


def _digits(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() else None


def _clock(text: str) -> dt.time | None:
    """Read a time of day as it is typed (`09:45`, `9:45`, `0945`, `9.45`); an empty text is None."""
    if not text.strip():
        return None
    match = _CLOCK.fullmatch(text.strip())
    try:
        return dt.time(int(match[1]), int(match[2])) if match else _no_clock()
    except ValueError:
        return _no_clock()


def _no_clock() -> dt.time:
    raise ValidationError("{name} must be a time of day, like 09:45", code="time")


class TimeField(forms.Field):
    """A time of day, HH:mm in 24 hours; `9:45`, `0945` and `9.45` are understood."""

    def __init__(self, *, called: str = "", **kwargs: Any) -> None:
        self.called = called
        kwargs.setdefault("widget", _box(5))
        super().__init__(**kwargs)

    def prepare_value(self, value: Any) -> Any:
        """Show a stored time as HH:mm."""
        return formats.time(value) if isinstance(value, dt.time) else value

    def clean(self, value: Any) -> dt.time | None:
        """Read a time of day."""
        clock = value if isinstance(value, dt.time) else _clock(str(value or ""))
        if clock is None and self.required:
            raise ValidationError("Enter {the_name}", code="required")
        return clock

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare as times."""
        try:
            return _clock(str(data or "")) != initial
        except ValidationError:
            return True


class MomentBoxes(DateBoxes):
    """Day, month, year and time; posted as NAME_day, NAME_month, NAME_year, NAME_time."""

    box_labels = ("Day", "Month", "Year", "Time")

    def __init__(self) -> None:
        forms.MultiWidget.__init__(
            self, {"day": _box(2), "month": _box(4, numeric=False), "year": _box(4), "time": _box(5)}
        )

    def decompress(self, value: Any) -> list[Any]:
        """Split an instant into its boxes, in the clinic's zone."""
        if not value:
            return [None, None, None, None]
        local = timezone.localtime(value)
        return [local.day, formats.MONTHS[local.month - 1], local.year, formats.time(local.time())]


class MomentField(DateField):
    """A date with a time of day in the clinic's zone; gives an aware datetime.

    A wall time that a clock change skips moves to the end of the gap; one that happens twice takes the first.
    """

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", MomentBoxes())
        super().__init__(**kwargs)

    def clean(self, value: Any) -> Any:
        """Read date and time."""
        if isinstance(value, dt.datetime):
            return value
        parts = [str(part or "").strip() for part in (value or [])]
        parts += [""] * (4 - len(parts))
        if any(parts) and not parts[3] and all(parts[:3]):
            raise ValidationError("{name} must include a time", code="incomplete")
        day = super().clean(parts[:3] if any(parts) else None)
        clock = _clock(parts[3])
        if day is None or clock is None:
            return None
        moment = calendar.instant_of(day, clock, ZoneInfo(timezone.get_current_timezone_name()))
        if self.not_future and moment > timezone.now():
            raise ValidationError("{name} must be now or in the past", code="future")
        if self.not_past and moment < timezone.now():
            raise ValidationError("{name} must be in the future", code="past")
        return moment

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare as instants."""
        try:
            return self.clean(data) != initial if any(data or []) else initial is not None
        except ValidationError:
            return True


class ChoiceButtons(forms.RadioSelect):
    """Radio buttons as 48 px buttons; the chosen one carries a tick, not only a colour."""

    template_name = "components/choices.html"
    option_template_name = "components/choice.html"


class TickButtons(forms.CheckboxSelectMultiple):
    """Check boxes as 48 px buttons, for several answers at once."""

    template_name = "components/choices.html"
    option_template_name = "components/choice.html"


class OneOf(forms.TypedChoiceField):
    """One choice of a few, as buttons; an optional one can be taken back by "Not recorded".

    Args:
        nothing: the words for no answer, shown as the last button when the field is optional.
        called: the name in messages, where the label does not do.
    """

    def __init__(
        self,
        *,
        choices: Sequence[tuple[Any, str]] = (),
        nothing: str = formats.NOT_RECORDED,
        called: str = "",
        coerce: Callable[[Any], Any] = str,
        **kwargs: Any,
    ) -> None:
        self.nothing, self.called = nothing, called
        kwargs.setdefault("widget", ChoiceButtons())
        super().__init__(choices=choices, coerce=coerce, **kwargs)

    @property
    def choices(self) -> Any:
        """The choices, with the words for no answer last when the field is optional."""
        return self._choices

    @choices.setter
    def choices(self, value: Any) -> None:
        listed = [choice for choice in (value() if callable(value) else value) if choice[0] != ""]
        if listed and not self.required and self.nothing:
            listed.append(("", self.nothing))
        self._choices = self.widget.choices = listed


class SomeOf(forms.TypedMultipleChoiceField):
    """Any number of choices, as buttons."""

    def __init__(self, *, called: str = "", coerce: Callable[[Any], Any] = str, **kwargs: Any) -> None:
        self.called = called
        kwargs.setdefault("widget", TickButtons())
        super().__init__(coerce=coerce, **kwargs)


@dataclass(frozen=True)
class Question:
    """What a soft range asks once: the value, what is usual, and the names of the two fields that answer."""

    value: str
    usual: str
    confirm_name: str
    reason_name: str
    reason: str
    confirmed: bool
    wanted: str
