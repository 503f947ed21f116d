"""The order form of one technique, and the short forms that start, hold, resume or stop an order."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from clinic.form_fields import Question
from clinic.forms import ClinicForm, MomentField, NumberField, OneOf, SomeOf
from screening.helps import MARKS
from therapy.orders.doses import DoseField, Inhaled, dose_fields, inhaled_medicines, starting_dose
from therapy.orders.models import Order, OrderSource
from therapy.orders.prescription import (
    POSSIBLE_TIMES_A_DAY,
    USUAL_TIMES_A_DAY,
    Medicine,
    Prescription,
    check,
    unanswered,
)
from therapy.orders.rules import Finding, Lungs, published_range

TIMINGS = [("before", "Before"), ("during", "During"), ("after", "After")]


class OrderForm(ClinicForm):
    """One order. Dose fields come from the technique; what is unusual is asked about once."""

    order_id = forms.UUIDField(widget=forms.HiddenInput, required=False)
    times_a_day = NumberField(
        label="Times a day",
        hard=POSSIBLE_TIMES_A_DAY,
        soft=USUAL_TIMES_A_DAY,
        help_text="Two to four in an acute illness, two at home (from memory, needs local sign-off).",
    )
    independent_sets_a_day = NumberField(
        label="Independent sets a day",
        required=False,
        hard=(1, 40),
        help_text="What the patient does alone beside the treatments, once taught. Counted apart.",
    )
    source = OneOf(
        label="How the order was given",
        choices=[(value, words[:1].upper() + words[1:]) for value, words in OrderSource.choices],
    )
    prescriber = forms.CharField(label="Prescribed by", max_length=120)
    valid_until = MomentField(label="Valid until", required=False, not_past=True)
    helps_here_reason = forms.CharField(label="Why it should help here", max_length=300, required=False)
    notes = forms.CharField(label="Notes for the therapist", max_length=500, required=False)
    medicines = forms.CharField(
        label="About the inhaled medicines",
        max_length=300,
        required=False,
        help_text="Anything the therapist must know about their sequence.",
    )

    def __init__(
        self,
        *args: Any,
        technique: str,
        lungs: Lungs,
        first_use: bool,
        against: Sequence[str] = (),
        order: Order | None = None,
        **kwargs: Any,
    ) -> None:
        kwargs["initial"] = {**_initial(technique, order), **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        self.technique, self.lungs, self.first_use, self.order = technique, lungs, first_use, order
        self.against = against
        self.dose_fields = dose_fields(technique)
        for field in self.dose_fields:
            self.fields[field.name] = _form_field(field, first_use=first_use)
        for medicine in inhaled_medicines().values():
            self.fields.update(_medicine_fields(medicine))
        self.order_fields([field.name for field in self.dose_fields])

    @property
    def dose(self) -> list[Any]:
        """The bound dose fields."""
        return [self[field.name] for field in self.dose_fields]

    @property
    def medicine_rows(self) -> list[tuple[str, str, list[Any]]]:
        """Each inhaled medicine with its note and its bound fields."""
        return [
            (each.words, each.note, [self[f"{kind}_{part}"] for part in ("timing", "place", "lead", "words")])
            for kind, each in inhaled_medicines().items()
        ]

    @property
    def has_medicines(self) -> bool:
        """Whether any medicine is filled in or wrong, so that the rows stand open."""
        kinds = inhaled_medicines()
        return any(self[f"{kind}_timing"].value() for kind in kinds) or "medicines" in self.errors

    def clean(self) -> dict[str, Any]:
        """Hold the whole order against the rules; ask what the fields alone could not ask."""
        cleaned: dict[str, Any] = self.cleaned_data
        if self.errors:
            return cleaned
        prescription = self.prescription()
        found = check(prescription, lungs=self.lungs, first_use=self.first_use)
        for finding in found.refused:
            self.add_error(finding.field if finding.field in self.fields else None, finding.message)
        for name in {finding.field for finding in unanswered(prescription, found)}:
            self._ask(name, [finding for finding in found.to_ask if finding.field == name], prescription)
        if self.against and not prescription.helps_here_reason.strip():
            self.add_error("helps_here_reason", f"{self.against[0]} Say why it should help this patient")
        return cleaned

    def prescription(self) -> Prescription:
        """What was typed, as the value that services take."""
        given = self.cleaned_data
        return Prescription(
            technique=self.technique,
            dose={field.name: given[field.name] for field in self.dose_fields},
            times_a_day=given["times_a_day"],
            source=given["source"],
            prescriber=given["prescriber"],
            read_back=bool(given.get("read_back")),
            reasons=dict(self.kept_reasons),
            medicines=self._medicines(),
            independent_sets_a_day=given["independent_sets_a_day"],
            valid_until=given["valid_until"],
            helps_here_reason=given["helps_here_reason"],
            notes="\n".join(part for part in (given["notes"], given["medicines"]) if part)[:500],
        )

    def _ask_beyond_usual(self, bound: Any) -> None:
        """What was asked about before and has not changed keeps its reason without a second question."""
        if self.order is not None:
            before = {**self.order.dose, "times_a_day": self.order.times_a_day}.get(bound.name)
            reason = self.order.outside_range.get(bound.name)
            if reason and before == self.cleaned_data[bound.name]:
                self.kept_reasons[bound.name] = reason
                return
        super()._ask_beyond_usual(bound)

    def _medicines(self) -> tuple[Medicine, ...]:
        given = self.cleaned_data
        chosen = [kind for kind in inhaled_medicines() if given[f"{kind}_timing"]]
        chosen.sort(key=lambda kind: given[f"{kind}_place"] or 0)
        return tuple(
            Medicine(kind, given[f"{kind}_timing"], given[f"{kind}_words"], given[f"{kind}_lead"])
            for kind in chosen
        )

    def _ask(self, name: str, findings: list[Finding], prescription: Prescription) -> None:
        """Ask once about what the rules found; the answer names what it was given for."""
        said = " ".join(finding.message for finding in findings).rstrip(".")
        value = self._asked_about(name, prescription)
        confirm_name, reason_name = f"{name}_asked", f"{name}_why"
        reason = str(self.data.get(reason_name, "")).strip()
        confirmed = self.data.get(confirm_name, "") == value
        wanted = "Correct it, or say that it is right and why"
        if confirmed:
            wanted = "" if reason else "Enter why it is right"
        self.questions[name] = Question(
            value=value,
            usual=said,
            confirm_name=confirm_name,
            reason_name=reason_name,
            reason=reason,
            confirmed=confirmed,
            wanted=wanted,
        )
        if wanted:
            words = wanted if confirmed else f"{said}. {wanted}"
            self.add_error(name, ValidationError(words, code="asked"))
        else:
            self.kept_reasons[name] = reason

    def _asked_about(self, name: str, prescription: Prescription) -> str:
        if name == "medicines":
            table = inhaled_medicines()
            return ", ".join(
                f"{table[each.kind].words.lower()} {each.timing}" for each in prescription.medicines
            )
        return str(self.data.get(name, ""))


class ChangeForm(OrderForm):
    """Another dose or frequency of an order in force."""

    reason = forms.CharField(label="Reason for the change", max_length=300)
    read_back = forms.BooleanField(
        label="By telephone: the order was read back and confirmed", required=False
    )


class StartForm(ClinicForm):
    """Starts a draft; an order by telephone only once it was read back."""

    read_back = forms.BooleanField(
        label="The order was read back to the prescriber and confirmed", required=False
    )


class HoldForm(ClinicForm):
    """Puts an order on hold."""

    reason = forms.CharField(label="Reason for the hold", max_length=300)
    decides = forms.CharField(label="Who must decide", max_length=120)
    decide_by = MomentField(label="Decide by", not_past=True)


class ReasonForm(ClinicForm):
    """Resumes or stops an order."""

    reason = forms.CharField(label="Reason", max_length=300)


def _initial(technique: str, order: Order | None) -> Mapping[str, Any]:
    places = {f"{kind}_place": place for place, kind in enumerate(inhaled_medicines(), start=1)}
    if order is None:
        return {**starting_dose(technique), **places}
    given: dict[str, Any] = {
        **starting_dose(technique),
        **order.dose,
        **places,
        "times_a_day": order.times_a_day,
        "independent_sets_a_day": order.independent_sets_a_day,
        "source": order.source,
        "prescriber": order.prescriber,
        "valid_until": order.valid_until,
        "helps_here_reason": order.helps_here_reason,
        "notes": order.notes,
    }
    for each in order.medicines.all():
        given |= {
            f"{each.kind}_timing": each.timing,
            f"{each.kind}_place": each.position,
            f"{each.kind}_lead": each.lead_minutes,
            f"{each.kind}_words": each.words,
        }
    return given


def _form_field(field: DoseField, *, first_use: bool) -> forms.Field:
    help_text = _help(field)
    if field.kind == "one of":
        return OneOf(label=field.words, choices=list(field.choices.items()), help_text=help_text)
    if field.kind == "some of":
        return SomeOf(label=field.words, choices=list(field.choices.items()), help_text=help_text)
    tenths = field.kind == "tenths"
    high = field.published_high
    if first_use and field.at_first_use is not None:
        high = field.at_first_use
    soft = (_typed(field.published_low, tenths=tenths), _typed(high, tenths=tenths))
    return NumberField(
        label=field.words,
        unit="" if field.unit == "setting" else field.unit,
        places=1 if tenths else 0,
        scale=1 if tenths else None,
        hard=(_typed(field.hard_low, tenths=tenths), _typed(field.hard_high, tenths=tenths)),
        soft=None if soft == (None, None) else soft,
        help_text=help_text,
    )


def _typed(number: int | None, *, tenths: bool) -> Decimal | None:
    """A stored number as it is typed: 35 tenths as 3.5."""
    return None if number is None else Decimal(number).scaleb(-1 if tenths else 0)


def _help(field: DoseField) -> str:
    published = published_range(field)
    parts = [field.note] if field.note else []
    if field.is_number:
        parts.append(
            published[:1].upper() + published[1:] if published.startswith("no") else f"Published: {published}"
        )
    parts.append(f"Source: {field.source} ({MARKS[field.mark]})")
    return ". ".join(parts) + "."


def _medicine_fields(medicine: Inhaled) -> dict[str, forms.Field]:
    kind, words = medicine.kind, medicine.words
    return {
        f"{kind}_timing": OneOf(
            label="When", choices=TIMINGS, required=False, nothing="Not ordered", called=f"{words}: when"
        ),
        f"{kind}_place": NumberField(
            label="Place in the sequence",
            required=False,
            hard=(1, len(inhaled_medicines())),
            called=f"{words}: place in the sequence",
        ),
        f"{kind}_lead": NumberField(
            label="Ahead of clearance",
            unit="min",
            required=False,
            hard=(0, 120),
            called=f"{words}: minutes ahead of clearance",
        ),
        f"{kind}_words": forms.CharField(
            label="Medicine and dose as ordered", max_length=120, required=False
        ),
    }
