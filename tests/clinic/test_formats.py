"""How numbers, dates, times and names are written, checked against published conventions."""

import datetime as dt
import re
from decimal import Decimal

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from clinic import formats

UTC = dt.UTC
DECIMALS = st.decimals(
    min_value=Decimal(-99999999),
    max_value=Decimal(99999999),
    places=4,
    allow_nan=False,
    allow_infinity=False,
)


# The Joint Commission, "Do not use" list (facts_about_do_not_use_list): never a trailing zero (X.0 mg), always
# a leading zero (0.X mg). ISMP list of error-prone dose designations: comma from 1,000 up, space before the unit.
@given(DECIMALS)
def test_a_prescribed_value_has_a_leading_zero_and_no_trailing_zero(value: Decimal) -> None:
    text = formats.number(value)
    assert re.fullmatch(r"-?\d{1,3}(,\d{3})*(\.\d+)?", text)
    assert not re.search(r"\.\d*0$", text)
    assert Decimal(text.replace(",", "")) == value


@given(DECIMALS, st.integers(0, 4))
def test_a_measured_value_keeps_the_places_it_was_recorded_with(value: Decimal, places: int) -> None:
    """The same Joint Commission list exempts results whose zero shows the precision."""
    text = formats.result(value, places=places)
    decimals = text.partition(".")[2]
    assert len(decimals) == places
    assert abs(Decimal(text.replace(",", "")) - value) <= Decimal(5).scaleb(-places - 1)
    assert not re.match(r"-?\.", text)


@given(st.integers(-(10**9), 10**9), st.integers(0, 3))
def test_a_stored_integer_is_written_in_its_unit(stored: int, scale: int) -> None:
    assert Decimal(formats.number(stored, scale=scale).replace(",", "")) == Decimal(stored).scaleb(-scale)


@pytest.mark.parametrize(
    ("value", "written"),
    [
        # Joint Commission and ISMP examples: .5 is read as 5, 1.0 as 10, 1000000 is misread.
        (Decimal("0.5"), "0.5"),
        (Decimal("5.0"), "5"),
        (1000, "1,000"),
        (1000000, "1,000,000"),
        (Decimal("1E+3"), "1,000"),
        (Decimal("-0.0"), "0"),
        (0.1, "0.1"),
    ],
)
def test_numbers_that_are_known_to_be_misread(value: Decimal | float, written: str) -> None:
    assert formats.number(value) == written


def test_a_unit_stands_after_a_space() -> None:
    """ISMP: a unit that runs into its number (10mL) has its m read as a zero."""
    assert formats.quantity(125, "mL", scale=1) == "12.5 mL"
    assert formats.quantity(Decimal("2.0"), "L/min", places=1) == "2.0 L/min"
    assert formats.percent(Decimal("0.8312")) == "83 %"


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_not_a_number_is_never_written(value: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        formats.number(value)


def test_nothing_recorded_is_said_in_words() -> None:
    """NHS Common User Interface, patient banner guide: unknown is never a blank and never a nought."""
    for written in (
        formats.number(None),
        formats.result(None, places=1),
        formats.quantity(None, "mL"),
        formats.percent(None),
        formats.date(None),
        formats.time(None),
        formats.date_time(None),
        formats.spell(None),
        formats.patient_number(""),
        formats.or_not_recorded("  "),
    ):
        assert written == "Not recorded"
    assert formats.or_not_recorded(0) == "0"


# NHS Common User Interface, "Date and time display" quick guide: DD-Mmm-YYYY, HH:mm, midnight 00:00, a weekday
# before the date where wanted; the three-letter English months.
CUI_DATE = re.compile(r"\d{2}-(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)-\d{4}")


@given(st.dates(min_value=dt.date(1000, 1, 1)))
def test_a_date_reads_the_same_everywhere_and_back(day: dt.date) -> None:
    text = formats.date(day)
    assert CUI_DATE.fullmatch(text)
    assert dt.datetime.strptime(text, "%d-%b-%Y").date() == day  # noqa: DTZ007 (a date has no zone)


def test_dates_and_times_as_the_guide_shows_them() -> None:
    assert formats.date(dt.date(1980, 8, 14)) == "14-Aug-1980"
    assert formats.weekday_date(dt.date(2026, 11, 25)) == "Wed 25-Nov-2026"
    assert formats.time(dt.time(0, 0)) == "00:00"
    assert formats.time(dt.time(9, 5)) == "09:05"
    assert formats.date_in_words(dt.date(1980, 8, 14)) == "14 August 1980"


def test_an_instant_is_shown_in_the_clinics_zone(settings: object) -> None:
    settings.TIME_ZONE = "Europe/London"  # type: ignore[attr-defined]
    summer_night = dt.datetime(2026, 7, 1, 23, 30, tzinfo=UTC)
    assert formats.date_time(summer_night) == "02-Jul-2026 00:30"
    assert formats.date(summer_night) == "02-Jul-2026"
    assert formats.date_time(dt.datetime(2026, 12, 1, 23, 30, tzinfo=UTC)) == "01-Dec-2026 23:30"


@pytest.mark.parametrize(
    ("first", "last", "written"),
    [
        ((2026, 11, 16), (2026, 11, 22), "16 to 22-Nov-2026"),
        ((2026, 11, 30), (2026, 12, 6), "30-Nov to 06-Dec-2026"),
        ((2026, 12, 28), (2027, 1, 3), "28-Dec-2026 to 03-Jan-2027"),
        ((2026, 11, 16), (2026, 11, 16), "16-Nov-2026"),
    ],
)
def test_a_range_of_days_says_once_what_is_the_same(
    first: tuple[int, int, int], last: tuple[int, int, int], written: str
) -> None:
    assert formats.date_range(dt.date(*first), dt.date(*last)) == written


@pytest.mark.parametrize(
    ("minutes", "written"),
    [(0, "0 min"), (38, "38 min"), (59, "59 min"), (60, "1 h"), (190, "3 h 10 min"), (599, "9 h 59 min"),
     (600, "10 h"), (26 * 60 + 59, "26 h"), (47 * 60 + 59, "47 h"), (48 * 60, "2 days"), (71 * 60, "2 days")],
)  # fmt: skip
def test_a_spell_is_told_as_people_tell_it_and_never_rounded_up(minutes: int, written: str) -> None:
    assert formats.spell(dt.timedelta(minutes=minutes)) == written
    assert formats.spell(dt.timedelta(minutes=minutes, seconds=59)) == written


def test_a_negative_spell_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        formats.spell(dt.timedelta(minutes=-1))


def test_working_time_is_told_in_hours_and_minutes() -> None:
    assert formats.minutes(45) == "45 min"
    assert formats.minutes(380) == "6 h 20 min"
    assert formats.minutes(2250) == "37 h 30 min"
    assert formats.minutes(-30) == "-30 min"


def test_names_are_written_family_first() -> None:
    """NHS Common User Interface, "Patient name display": FAMILY, Given (Title)."""
    assert formats.name("Mosswater", "Bryn") == "MOSSWATER, Bryn"
    assert formats.name("Mosswater", "Bryn", "Mr") == "MOSSWATER, Bryn (Mr)"


@given(
    st.dates(dt.date(1900, 1, 1), dt.date(2026, 12, 31)), st.dates(dt.date(1900, 1, 1), dt.date(2026, 12, 31))
)
def test_an_age_equals_the_calendar_age(one: dt.date, other: dt.date) -> None:
    """Checked against dateutil.relativedelta; someone born on 29-Feb turns a year on 01-Mar in other years."""
    born, on = min(one, other), max(one, other)
    apart = relativedelta(on, born)
    whole_months = apart.years * 12 + apart.months
    if born.day > 28 and on.day >= 28 and on.day < born.day:
        return  # the two count the last days of a short month differently; the next test names ours
    text = formats.age(born, on)
    if whole_months == 0:
        assert text == ("1 day" if (on - born).days == 1 else f"{(on - born).days} days")
    elif whole_months < 24:
        assert text == ("1 month" if whole_months == 1 else f"{whole_months} months")
    else:
        assert text == f"{whole_months // 12} y"


def test_ages_at_the_edges() -> None:
    assert formats.age(dt.date(2024, 2, 29), dt.date(2026, 2, 28)) == "23 months"
    assert formats.age(dt.date(2024, 2, 29), dt.date(2026, 3, 1)) == "2 y"
    assert formats.age(dt.date(1958, 3, 14), dt.date(2026, 3, 13)) == "67 y"
    assert formats.age(dt.date(1958, 3, 14), dt.date(2026, 3, 14)) == "68 y"
    assert formats.born(dt.date(1958, 3, 14), dt.date(2026, 11, 25)) == "14-Mar-1958 (68 y)"
    with pytest.raises(ValueError, match="after"):
        formats.age(dt.date(2026, 1, 2), dt.date(2026, 1, 1))


def test_a_record_number_is_grouped_three_three_four() -> None:
    """DSCN 04/2009, identity wristbands: the ten digits of the number as 3 3 4."""
    assert formats.patient_number("9434765919") == "943 476 5919"
    assert formats.patient_number("943 476 5919") == "943 476 5919"
    assert formats.patient_number("204118553") == "204 118 553"
    assert formats.patient_number("AC-1234567") == "AC-1234567"


def test_a_range_of_times_names_the_day_only_across_midnight(settings: object) -> None:
    settings.TIME_ZONE = "Europe/London"  # type: ignore[attr-defined]
    start = dt.datetime(2026, 11, 25, 22, 45, tzinfo=UTC)
    assert formats.time_range(start, start + dt.timedelta(hours=1)) == "22:45 to 23:45"
    across = formats.time_range(start, start + dt.timedelta(hours=2))
    assert across == "25-Nov-2026 22:45 to 26-Nov-2026 00:45"
