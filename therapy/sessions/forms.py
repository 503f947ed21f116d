"""The form of the record page: what is asked depends on the technique, the order and the patient's age."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils import timezone

from clinic.calendar import instant_of
from clinic.forms import ClinicForm, DateField, NumberField, OneOf, SomeOf, TimeField
from clinic.measurements import kinds
from therapy.orders.doses import DoseField, dose_fields
from therapy.orders.models import Order
from therapy.sessions import words
from therapy.sessions.rules import DOSE_UNITS, REASONS, delivered_word, dose_of

# The grid before and after, in the order in which it is measured: field name, kind, label.
GRID = (
    ("spo2", "spo2_percent", "SpO2"),
    ("pulse", "pulse_per_min", "Pulse"),
    ("breaths", "respiratory_rate_per_min", "Breaths"),
    ("borg", "borg_tenths", "Borg"),
)
MOMENTS = ("before", "after")
AS_BUTTONS_UP_TO = 8
MORE_THAN_ORDERED = 3
EVENTS_ON_PAGE = 3


def _pairs(said: Any, *, without: tuple[str, ...] = ()) -> list[tuple[Any, str]]:
    return [(key, text) for key, text in said.items() if key not in without]


class TreatmentForm(ClinicForm):
    """One treatment. Cleaned values are turned into the payload by therapy/sessions/page_payload.py."""

    # Nearly everything may be left blank; the page says once what that means.
    mark_optional = False

    record_id = forms.UUIDField(widget=forms.HiddenInput)
    day = DateField(label="Day", not_future=True)
    started = TimeField(label="Started")
    ended = TimeField(label="Ended", required=False)
    same_oxygen = forms.BooleanField(label="The same oxygen after", required=False, initial=True)
    tolerance = OneOf(label="How it was tolerated", choices=_pairs(words.TOLERANCE), required=False)
    stopped = OneOf(
        label="Stopped early: why",
        choices=[(one.code, one.words) for one in REASONS.values() if one.for_part],
        required=False,
        nothing="Not stopped early",
    )
    stopped_words = forms.CharField(label="More on that", max_length=300, required=False)
    sputum = OneOf(label="What came up", choices=_pairs(words.SPUTUM), required=False)
    sputum_amount = NumberField(
        label="Amount", places=1, scale=1, hard=(0, 500), soft=(0, 150), required=False, called="the amount"
    )
    sputum_unit = OneOf(
        label="Unit", choices=[("ml", "mL"), ("g", "g")], required=False, nothing="", initial="ml"
    )
    sputum_method = OneOf(label="Measured", choices=_pairs(words.METHOD), required=False, nothing="")
    sputum_colour = OneOf(
        label="Colour", choices=_pairs(words.COLOUR), required=False, coerce=int, empty_value=None
    )
    sputum_consistency = OneOf(label="Consistency", choices=_pairs(words.CONSISTENCY), required=False)
    blood = OneOf(label="Blood", choices=_pairs(words.BLOOD), required=False)
    blood_amount = NumberField(
        label="Fresh blood",
        unit="mL",
        hard=(0, 2000),
        soft=(0, 240),
        required=False,
        called="the amount of blood",
    )
    delivered_by = OneOf(label="Given by", choices=_pairs(words.DELIVERED_BY), initial="therapist")
    person = forms.TypedChoiceField(label="Who was there", coerce=int, empty_value=None, required=False)
    minutes = NumberField(
        label="Minutes", unit="min", hard=(0, 480), soft=(1, 120), required=False, called="the minutes"
    )
    second_person = forms.TypedChoiceField(
        label="Who else was there", coerce=int, empty_value=None, required=False
    )
    second_minutes = NumberField(
        label="Minutes of the second", unit="min", hard=(0, 480), soft=(1, 120), required=False,
        called="the minutes of the second",
    )  # fmt: skip
    teaching = forms.BooleanField(label="This was teaching as well", required=False)
    notes = forms.CharField(
        label="Notes", max_length=1000, required=False, widget=forms.Textarea({"rows": 3})
    )

    def __init__(self, *args: Any, people: Mapping[int, Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [("", "Nobody of the service"), *((pk, str(one)) for pk, one in people.items())]
        for name in ("person", "second_person"):
            field = self.fields[name]
            assert isinstance(field, forms.TypedChoiceField)  # noqa: S101 (declared so above)
            field.choices = choices

    technique: str = ""
    order: Order | None = None
    age: int = 0
    grid: tuple[tuple[str, str, str], ...] = ()

    # Parts of the page, for the template.

    @property
    def rows(self) -> list[tuple[str, list[Any]]]:
        """The grid: (moment, its fields)."""
        return [
            (moment.capitalize(), [self[f"{moment}_{name}"] for name, _, _ in self.grid])
            for moment in MOMENTS
        ]

    @property
    def oxygen_before(self) -> list[Any]:
        return [self[f"before_oxygen_{part}"] for part in ("device", "flow", "fio2")]

    @property
    def oxygen_after(self) -> list[Any]:
        return [self[f"after_oxygen_{part}"] for part in ("device", "flow", "fio2")]

    @property
    def done_fields(self) -> list[Any]:
        return [self[name] for name in self.fields if name.startswith("done_")]

    @property
    def setting_fields(self) -> list[Any]:
        return [self[name] for name in self.fields if name.startswith("setting_")]

    @property
    def events(self) -> list[list[Any]]:
        """Rows of adverse events, each with its fields."""
        return [
            [self[f"event{number}_{part}"] for part in ("id", "kind", "action", "told")]
            for number in range(EVENTS_ON_PAGE)
        ]

    def clean(self) -> dict[str, Any]:
        """What one field says of another; the payload itself is checked once more by the service."""
        given: dict[str, Any] = super().clean() or self.cleaned_data
        self._clean_times(given)
        self._clean_dose(given)
        self._clean_people(given)
        for moment in MOMENTS:
            self._clean_borg(given, moment)
        self._clean_oxygen(given)
        if given.get("sputum") == "measured":
            for name in ("sputum_amount", "sputum_method"):
                if given.get(name) in (None, "") and name not in self.errors:
                    self.add_error(name, "Enter {the_name}" if name == "sputum_amount" else "Choose how")
        if given.get("blood") != "fresh" and given.get("blood_amount") is not None:
            self.add_error("blood_amount", "Only fresh blood has an amount: choose fresh, or leave it out")
        for number in range(EVENTS_ON_PAGE):
            self._clean_event(given, f"event{number}")
        return given

    def _clean_times(self, given: dict[str, Any]) -> None:
        day, started, ended = given.get("day"), given.get("started"), given.get("ended")
        if day is None or started is None:
            return
        zone = ZoneInfo(timezone.get_current_timezone_name())
        given["started_at"] = instant_of(day, started, zone)
        given["ended_at"] = None
        if ended is not None:
            # A treatment over midnight ends on the next day.
            given["ended_at"] = instant_of(day if ended >= started else day + timedelta(days=1), ended, zone)
        latest: datetime = given["ended_at"] or given["started_at"]
        if latest > timezone.now() + timedelta(minutes=1):
            field = "ended" if given["ended_at"] else "started"
            self.add_error(field, "{name} must be now or in the past")

    def _clean_dose(self, given: dict[str, Any]) -> None:
        """In full or in part follows from what was done of what was ordered."""
        ordered = {unit: getattr(self.order, unit) if self.order is not None else None for unit in DOSE_UNITS}
        amounts = {unit: given.get(f"done_{unit}") for unit in DOSE_UNITS}
        if "setting_positions" in self.fields:
            amounts["positions"] = len(given.get("setting_positions") or ()) or None
        given["amounts"] = amounts
        dose, stopped = dose_of(ordered, amounts), given.get("stopped")
        if dose is None:
            given["delivered"] = "part" if stopped else "full"
            return
        field, unit = f"done_{dose.unit}", words.DOSE_UNITS[dose.unit].lower()
        given["delivered"] = delivered = delivered_word(dose)
        if delivered is None and field not in self.errors:
            self.add_error(field, f"Enter the {unit} done")
        elif delivered == "not_delivered":
            self.add_error(field, f"With 0 {unit} nothing was given: use Not given today")
        elif delivered == "part" and not stopped:
            self.add_error(
                "stopped", f"{dose.done} of {dose.ordered} {unit}: choose why it was stopped early"
            )
        elif delivered == "full" and stopped:
            self.add_error("stopped", f"All {dose.ordered} {unit} were done: choose Not stopped early")

    def _clean_people(self, given: dict[str, Any]) -> None:
        first, second = given.get("person"), given.get("second_person")
        if given.get("delivered_by") in {"therapist", "assistant", "student"} and first is None:
            self.add_error("person", "Choose who was there")
        if first is not None and first == second:
            self.add_error("second_person", "Choose another person, or nobody")
        for name, person in (("minutes", first), ("second_minutes", second)):
            took = given.get("ended_at") and given.get("started_at")
            if person is not None and given.get(name) is None and not took and name not in self.errors:
                self.add_error(name, "Enter {the_name}, or when the treatment ended")

    def _clean_borg(self, given: dict[str, Any], moment: str) -> None:
        borg = given.get(f"{moment}_borg")
        if borg is not None and borg not in kinds.kind("borg_tenths").steps:
            self.add_error(f"{moment}_borg", "{name} must be 0, 0.5, or a whole number from 1 to 10")

    def _clean_oxygen(self, given: dict[str, Any]) -> None:
        """No SpO2 without the oxygen it was measured on, or that this was not recorded."""
        with_value = {moment for moment in MOMENTS if given.get(f"{moment}_spo2") is not None}
        same = given.get("same_oxygen")
        for moment in sorted({"before" if same else each for each in with_value}):
            device = given.get(f"{moment}_oxygen_device")
            if not device and f"{moment}_oxygen_device" not in self.errors:
                self.add_error(f"{moment}_oxygen_device", "Choose the oxygen: SpO2 cannot be read without it")
            amounts = [given.get(f"{moment}_oxygen_{part}") for part in ("flow", "fio2")]
            if device and device not in {"air", "unknown"} and all(each is None for each in amounts):
                self.add_error(f"{moment}_oxygen_flow", "Enter the flow or the FiO2")

    def _clean_event(self, given: dict[str, Any], name: str) -> None:
        kind = given.get(f"{name}_kind")
        said = [given.get(f"{name}_{part}") for part in ("action", "told")]
        if kind and not said[0]:
            self.add_error(f"{name}_action", "Enter what was done")
        if kind and not said[1]:
            self.add_error(f"{name}_told", "Enter who was told")
        if not kind and any(said):
            self.add_error(f"{name}_kind", "Choose what happened")


def form_for(technique: str, order: Order | None, age_years: int) -> type[TreatmentForm]:
    """The form of one technique: its dose as ordered, its settings, and what is measured at this age."""
    grid = tuple(one for one in GRID if kinds.kind(one[1]).least_age_years <= age_years)
    measured = {
        name: field for moment in MOMENTS for name, field in grid_fields(moment, grid, age_years).items()
    }
    done = _done_fields(technique, order)
    events = {
        name: field for number in range(EVENTS_ON_PAGE) for name, field in _event_fields(number).items()
    }
    order_of_page = ["record_id", "day", "started", "ended", *measured, "same_oxygen", *done]
    attributes = {
        "technique": technique, "order": order, "age": age_years, "grid": grid, "field_order": order_of_page,
        **measured, **done, **events,
    }  # fmt: skip
    return type("TreatmentFormOfTechnique", (TreatmentForm,), attributes)


def grid_fields(moment: str, grid: Iterable[tuple[str, str, str]], age_years: int) -> dict[str, forms.Field]:
    """The numbers taken at one moment, with the oxygen of the SpO2."""
    fields: dict[str, forms.Field] = {}
    for name, kind_name, label in grid:
        kind = kinds.kind(kind_name)
        fields[f"{moment}_{name}"] = NumberField(
            label=label,
            unit=kind.unit,
            places=kind.places,
            scale=kind.scale or None,
            hard=kind.hard_as_written,
            soft=kind.soft_at(age_years),
            called=f"{label} {moment}",
            required=False,
        )
    fields[f"{moment}_oxygen_device"] = OneOf(
        label=f"Oxygen {moment}", choices=_pairs(words.OXYGEN), required=False, nothing=""
    )
    fields[f"{moment}_oxygen_flow"] = NumberField(
        label="Flow", unit="L/min", places=2, scale=3, hard=(0, 80), soft=(0, 60), required=False,
        called=f"the oxygen flow {moment}",
    )  # fmt: skip
    fields[f"{moment}_oxygen_fio2"] = NumberField(
        label="FiO2", unit="%", hard=(21, 100), required=False, called=f"the FiO2 {moment}"
    )
    return fields


def _done_fields(technique: str, order: Order | None) -> dict[str, forms.Field]:
    asked = dose_fields(technique)
    counted = {each.counts_as: each for each in asked if each.counts_as}
    fields: dict[str, forms.Field] = {
        f"done_{unit}": _amount(unit, order)
        for unit in DOSE_UNITS
        if unit == "minutes" or (unit in counted and counted[unit].kind != "some of")
    }
    fields["done_huffs"] = NumberField(
        label="Huffs or coughs in all", hard=(0, 60), required=False, called="the huffs or coughs"
    )
    if technique in {"pep", "oscillating_pep"}:
        fields["done_exhalation"] = OneOf(
            label="Each exhalation lasted", choices=_pairs(words.EXHALATION), required=False
        )
    for field in asked:
        if not field.counts_as or field.kind == "some of":
            fields[f"setting_{field.name}"] = _setting(field)
    return fields


def _amount(unit: str, order: Order | None) -> forms.Field:
    ordered = getattr(order, unit) if order is not None else None
    label = words.DOSE_UNITS[unit] + (
        f", ordered {ordered}" if ordered else " in all" if unit == "minutes" else ""
    )
    called = f"the {words.DOSE_UNITS[unit].lower()} done"
    if ordered and ordered <= AS_BUTTONS_UP_TO and unit != "breaths_per_set":
        choices = [(number, str(number)) for number in range(ordered + MORE_THAN_ORDERED + 1)]
        return OneOf(
            label=label,
            choices=choices,
            coerce=int,
            empty_value=None,
            required=False,
            called=called,
            nothing="",
        )
    return NumberField(
        label=label,
        unit="min" if unit == "minutes" else "",
        hard=(0, 240 if unit == "minutes" else 60),
        required=False,
        called=called,
    )


def _event_fields(number: int) -> dict[str, forms.Field]:
    name = f"event{number}"
    return {
        f"{name}_id": forms.UUIDField(widget=forms.HiddenInput, required=False),
        f"{name}_kind": OneOf(
            label="What happened", choices=_pairs(words.ADVERSE_EVENTS), required=False, nothing="None"
        ),
        f"{name}_action": forms.CharField(label="What was done", max_length=300, required=False),
        f"{name}_told": forms.CharField(label="Who was told", max_length=200, required=False),
    }


def _setting(field: DoseField) -> forms.Field:
    if field.is_number:
        places = 1 if field.kind == "tenths" else 0
        hard = tuple(
            None if edge is None else _written(edge, places) for edge in (field.hard_low, field.hard_high)
        )
        return NumberField(
            label=field.words,
            unit="" if field.unit == "setting" else field.unit,
            places=places,
            scale=places or None,
            hard=(hard[0], hard[1]),
            required=False,
        )
    choices = _pairs(field.choices)
    if field.kind == "one of":
        return OneOf(label=field.words, choices=choices, required=False)
    return SomeOf(label=field.words, choices=choices, required=False)


def _written(edge: int, places: int) -> str:
    whole, rest = divmod(edge, 10**places)
    return f"{whole}.{rest}" if rest else str(whole)


class ReasonForm(ClinicForm):
    """Why a treatment was not given: one press of a reason records it."""

    record_id = forms.UUIDField(widget=forms.HiddenInput)
    reason = forms.ChoiceField(
        choices=[(one.code, one.words) for one in REASONS.values() if one.for_not_given],
        error_messages={"required": "Choose why it was not given"},
    )
    reason_words = forms.CharField(label="More on that", max_length=300, required=False)


class AmendForm(ClinicForm):
    """Why a treatment is corrected, and the version that was read."""

    amend_reason = forms.CharField(
        label="Why it is corrected", max_length=500, error_messages={"required": "Enter why it is corrected"}
    )
    expect_version = forms.IntegerField(widget=forms.HiddenInput)


class StrikeForm(ClinicForm):
    """Why a treatment was entered in error, and the version that was read."""

    reason = forms.CharField(
        label="Why it was entered in error",
        max_length=500,
        error_messages={"required": "Enter why it was entered in error"},
    )
    expect_version = forms.IntegerField(widget=forms.HiddenInput)
