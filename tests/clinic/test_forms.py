"""Form fields: what they read, how they refuse, and how a form asks once about an unusual value."""

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest
from django import forms
from django.template import engines
from django.test import RequestFactory

from clinic.forms import (
    ClinicForm,
    DateField,
    MomentField,
    NumberField,
    OneOf,
    SomeOf,
    TimeField,
    refuse,
    respond_invalid,
)
from clinic.records import Refused


class Bedside(ClinicForm):
    spo2 = NumberField(label="SpO2", unit="%", hard=(50, 100), soft=(85, 100))
    volume = NumberField(label="Volume", unit="mL", places=1, scale=1, hard=(0, 2000), required=False)
    born = DateField(label="Birth date", not_future=True, required=False)
    at = MomentField(label="Measured at", required=False)
    start = TimeField(label="Start", required=False)
    colour = OneOf(label="Colour", choices=[("1", "Mucoid"), ("2", "Purulent")], coerce=int, required=False)
    signs = SomeOf(label="Signs", choices=[("a", "A"), ("b", "B")], required=False)
    reason = forms.CharField(label="Reason", max_length=5, required=False)


def filled(**more: str) -> Bedside:
    return Bedside({"spo2": "92", **more})


def errors_of(name: str, **more: str) -> list[str]:
    return list(filled(**more).errors.get(name, []))


@pytest.mark.parametrize(
    ("typed", "stored"),
    [
        ("12.5", 125),
        (" 12.5 ", 125),
        ("12.5 mL", 125),
        ("12.5ml", 125),
        ("1,200", 12000),
        ("1 200", 12000),
        ("\u00a012.5\u202fmL", 125),
        (".5", 5),
        ("", None),
    ],
)
def test_a_number_is_read_as_people_type_it(typed: str, stored: int | None) -> None:
    """GOV.UK Design System, text input: drop stray spaces and a typed unit."""
    form = filled(volume=typed)
    assert form.is_valid(), form.errors
    assert form.cleaned_data["volume"] == stored


@pytest.mark.parametrize(
    "typed", ["12,5", "1,20", "twelve", "1e3", "NaN", "Infinity", "5-6", "0x10", "\u0661\u0662"]
)
def test_what_is_not_plainly_a_number_is_refused_not_guessed(typed: str) -> None:
    assert "must be a number, like" in errors_of("volume", volume=typed)[0]


# GOV.UK Design System, error messages: empty "Enter ...", range "... must be between", type "... must be a number".
@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("", "Enter SpO2"),
        ("high", "SpO2 must be a number, like 92"),
        ("92.5", "SpO2 must be a whole number"),
        ("49", "SpO2 must be between 50 and 100 %"),
        ("101", "SpO2 must be between 50 and 100 %"),
    ],
)
def test_an_error_says_what_to_do_in_the_words_of_the_field(typed: str, words: str) -> None:
    assert errors_of("spo2", spo2=typed) == [words]


def test_the_ends_of_a_range_are_inside_it() -> None:
    assert not errors_of("spo2", spo2="100")
    assert not errors_of("volume", volume="2000")
    assert not errors_of("volume", volume="0")
    assert errors_of("volume", volume="2000.1") == ["Volume must be between 0 and 2,000 mL"]
    assert errors_of("volume", volume="1.25") == ["Volume must have at most 1 decimal place"]


def test_an_unusual_value_is_asked_about_once_and_the_reason_is_kept() -> None:
    asked = filled(spo2="80")
    assert not asked.is_valid()
    assert asked["spo2"].question.usual == "80 is unusual: SpO2 is usually between 85 and 100 %"
    answered = filled(spo2="80", spo2_asked="80", spo2_why="known for years")
    assert answered.is_valid()
    assert answered.cleaned_data["spo2"] == 80
    assert answered.kept_reasons == {"spo2": "known for years"}


def test_a_confirmed_value_without_a_reason_is_asked_for_the_reason() -> None:
    assert errors_of("spo2", spo2="80", spo2_asked="80") == ["Enter why 80 is right for SpO2"]


def test_another_unusual_value_is_asked_about_again() -> None:
    assert "81 is unusual" in errors_of("spo2", spo2="81", spo2_asked="80", spo2_why="known for years")[0]


def test_a_usual_value_needs_no_answer_and_keeps_no_reason() -> None:
    form = filled(spo2="92", spo2_asked="80", spo2_why="old")
    assert form.is_valid()
    assert form.kept_reasons == {}


# GOV.UK Design System, date input: missing parts before an impossible date; accept month names.
@pytest.mark.parametrize(
    ("day", "month", "year", "words"),
    [
        ("14", "", "1958", "Birth date must include a month"),
        ("", "", "1958", "Birth date must include a day and a month"),
        ("31", "2", "1958", "Birth date must be a real date"),
        ("14", "Mai", "1958", "Birth date must be a real date"),
        ("14", "3", "58", "Birth date must have a year of four digits, like 1958"),
        ("x", "3", "1958", "Birth date must be a real date"),
        ("14", "3", "2990", "Birth date must be today or in the past"),
    ],
)
def test_a_date_says_which_part_is_wrong(day: str, month: str, year: str, words: str) -> None:
    assert errors_of("born", born_day=day, born_month=month, born_year=year) == [words]


@pytest.mark.parametrize("month", ["3", "03", "Mar", "march", "MARCH"])
def test_a_month_may_be_a_number_or_a_name(month: str) -> None:
    form = filled(born_day="14", born_month=month, born_year="1958")
    assert form.is_valid()
    assert form.cleaned_data["born"] == dt.date(1958, 3, 14)


@pytest.mark.parametrize("typed", ["09:45", "9:45", "0945", "9.45", "09 45"])
def test_a_time_is_read_as_people_type_it(typed: str) -> None:
    form = filled(start=typed)
    assert form.is_valid()
    assert form.cleaned_data["start"] == dt.time(9, 45)


@pytest.mark.parametrize("typed", ["24:00", "9:75", "noon", "9", "123456"])
def test_what_is_no_time_of_day_is_refused(typed: str) -> None:
    assert errors_of("start", start=typed) == ["Start must be a time of day, like 09:45"]


@pytest.mark.parametrize(
    ("day", "month", "clock", "instant"),
    [
        # Clock changes of Europe/London in 2026 (IANA tz database): gap 29-Mar 01:00 to 02:00, fold 25-Oct 01:00.
        ("25", "Nov", "09:41", dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC)),
        ("29", "Mar", "01:30", dt.datetime(2026, 3, 29, 1, 0, tzinfo=dt.UTC)),
        ("25", "Oct", "01:30", dt.datetime(2026, 10, 25, 0, 30, tzinfo=dt.UTC)),
    ],
)
def test_a_moment_is_read_in_the_clinics_zone(
    day: str, month: str, clock: str, instant: dt.datetime, settings: Any
) -> None:
    settings.TIME_ZONE = "Europe/London"
    form = filled(at_day=day, at_month=month, at_year="2026", at_time=clock)
    assert form.is_valid(), form.errors
    assert form.cleaned_data["at"] == instant


def test_a_moment_without_its_time_says_so() -> None:
    assert errors_of("at", at_day="25", at_month="11", at_year="2026") == ["Measured at must include a time"]


def test_an_optional_choice_can_be_taken_back() -> None:
    form = filled(colour="")
    assert form.is_valid()
    assert form.cleaned_data["colour"] == ""
    assert [words for _, words in form.fields["colour"].choices] == ["Mucoid", "Purulent", "Not recorded"]
    chosen = filled(colour="2")
    assert chosen.is_valid()
    assert chosen.cleaned_data["colour"] == 2


def test_a_choice_that_was_not_offered_is_refused() -> None:
    assert errors_of("colour", colour="9") == ["Choose colour from the list"]


def test_a_stored_number_is_shown_as_it_is_typed() -> None:
    assert 'value="12.5"' in str(Bedside(initial={"volume": 125})["volume"])
    assert 'value="1250"' in str(Bedside(initial={"volume": 12500})["volume"])


def test_nothing_changed_where_only_the_writing_differs() -> None:
    form = Bedside({"spo2": "92 %", "volume": "12.50"}, initial={"spo2": 92, "volume": 125})
    assert form.changed_data == []


def test_a_refusal_of_a_service_stands_at_its_field() -> None:
    form = filled()
    assert form.is_valid()
    refuse(form, Refused("spo2", "SpO2 must not fall while it rises"))
    refuse(form, Refused("unknown_field", "Somebody else did it first"))
    assert form.errors["spo2"] == ["SpO2 must not fall while it rises"]
    assert form.non_field_errors() == ["Somebody else did it first"]


def draw(form: forms.Form) -> str:
    template = engines["django"].from_string(
        "{% error_summary form %}{% for one in form %}{% field one %}{% endfor %}"
    )
    return str(template.render({"form": form}))


def test_the_summary_links_to_the_first_thing_to_answer_in_the_order_of_the_page() -> None:
    """GOV.UK Design System, error summary: each line links to its field, a group by its first part."""
    drawn = draw(filled(spo2="80", born_day="31", born_month="2", born_year="1958"))
    assert drawn.index('href="#id_spo2"') < drawn.index('href="#id_born_0"')
    assert 'id="id_born_0"' in drawn
    assert drawn.count("Birth date must be a real date") == 2


def test_a_number_field_states_unit_and_range_and_is_no_spin_box() -> None:
    """GOV.UK Design System: text with inputmode, never type=number, which a scroll changes."""
    drawn = draw(Bedside())
    assert '<span class="field-unit">%, 50 to 100</span>' in drawn
    assert 'inputmode="numeric"' in drawn
    assert 'type="number"' not in drawn
    assert " required" not in drawn


def test_an_invalid_form_comes_back_with_422_and_says_so_in_the_title() -> None:
    request = RequestFactory().get("/")
    answer = respond_invalid(request, "422.html", {"message": "No"})
    assert answer.status_code == 422
    assert "<title>Error: This cannot be done" in answer.content.decode()


def test_a_value_in_a_decimal_field_stays_exact() -> None:
    class Flow(ClinicForm):
        flow = NumberField(label="Flow", unit="L/min", places=2, hard=(0, 60))

    form = Flow({"flow": "0.29"})
    assert form.is_valid()
    assert form.cleaned_data["flow"] == Decimal("0.29")
