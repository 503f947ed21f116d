"""How every number, date, time, spell and name is written: one function each, for pages, PDFs, tables.

Conventions: DD-Mmm-YYYY, HH:mm and `FAMILY, Given` after the NHS Common User Interface guides; leading zero,
no trailing zero on prescribed values, a space before the unit and a comma from 1,000 up after the Joint
Commission's "Do not use" list and ISMP's error-prone abbreviations. All text uses plain spaces; the template
filters put a no-break space between a number and its unit.
"""

import datetime as dt
import math
from decimal import ROUND_HALF_UP, Decimal

NOT_RECORDED = "Not recorded"
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
MONTHS_IN_FULL = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


# Numbers


def number(value: Decimal | float | None, *, scale: int = 0) -> str:
    """Write a prescribed or target value: leading zero, no trailing zero, comma from 1,000.

    Args:
        value: the value, or an integer in the stored unit when scale is given.
        scale: how many decimal places the stored integer carries (125 tenths with scale 1 is 12.5).
    """
    if value is None:
        return NOT_RECORDED
    text = f"{_decimal(value).scaleb(-scale):,f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def result(value: Decimal | float | None, *, places: int, scale: int = 0) -> str:
    """Write a measured value with the precision it was recorded with: 12.0 stays 12.0."""
    if value is None:
        return NOT_RECORDED
    rounded = _rounded(_decimal(value).scaleb(-scale), places)
    return f"{abs(rounded) if rounded == 0 else rounded:,f}"


def quantity(value: Decimal | float | None, unit: str, *, scale: int = 0, places: int | None = None) -> str:
    """Write a value with its unit, a space between: `10 mL`. With places, as a measured result."""
    if value is None:
        return NOT_RECORDED
    text = number(value, scale=scale) if places is None else result(value, places=places, scale=scale)
    return f"{text} {unit}" if unit else text


def percent(share: Decimal | float | None, *, places: int = 0) -> str:
    """Write a share of 1 as a percentage: 0.8312 becomes `83 %`."""
    if share is None:
        return NOT_RECORDED
    return f"{result(_decimal(share) * 100, places=places)} %"


def count(value: int, singular: str, plural: str = "") -> str:
    """Write a count with its noun: `1 patient`, `12 patients`, `1,204 patients`."""
    return f"{value:,} {singular if value == 1 else plural or singular + 's'}"


# Dates and times


def date(value: dt.date | dt.datetime | None) -> str:
    """Write a date as 14-Aug-1980; an instant is first taken to the clinic's zone."""
    if value is None:
        return NOT_RECORDED
    day = _local_date(value)
    return f"{day.day:02d}-{MONTHS[day.month - 1]}-{day.year:04d}"


def weekday_date(value: dt.date | dt.datetime | None) -> str:
    """Write a date with its weekday: Wed 25-Nov-2026."""
    if value is None:
        return NOT_RECORDED
    day = _local_date(value)
    return f"{WEEKDAYS[day.weekday()]} {date(day)}"


def date_range(first: dt.date, last: dt.date) -> str:
    """Write a range of days, both included: `16 to 22-Nov-2026`; parts that are the same are said once."""
    if first == last:
        return date(last)
    if first.year != last.year:
        return f"{date(first)} to {date(last)}"
    if first.month != last.month:
        return f"{first.day:02d}-{MONTHS[first.month - 1]} to {date(last)}"
    return f"{first.day:02d} to {date(last)}"


def date_in_words(value: dt.date | dt.datetime | None) -> str:
    """Write a date for a patient: 14 August 1980, the month in full."""
    if value is None:
        return NOT_RECORDED
    day = _local_date(value)
    return f"{day.day} {MONTHS_IN_FULL[day.month - 1]} {day.year}"


def time(value: dt.time | dt.datetime | None) -> str:
    """Write a time of day as HH:mm, 24 hours; an instant is first taken to the clinic's zone."""
    if value is None:
        return NOT_RECORDED
    clock = _local(value) if isinstance(value, dt.datetime) else value
    return f"{clock.hour:02d}:{clock.minute:02d}"


def time_range(start: dt.time | dt.datetime, end: dt.time | dt.datetime) -> str:
    """Write a range of times as `09:45 to 10:45`; across midnight the second day is named."""
    if (
        isinstance(start, dt.datetime)
        and isinstance(end, dt.datetime)
        and _local_date(start) != _local_date(end)
    ):
        return f"{date_time(start)} to {date_time(end)}"
    return f"{time(start)} to {time(end)}"


def date_time(value: dt.datetime | None) -> str:
    """Write an instant in the clinic's zone: 25-Nov-2026 09:41."""
    if value is None:
        return NOT_RECORDED
    return f"{date(value)} {time(value)}"


def spell(value: dt.timedelta | None) -> str:
    """Write an elapsed time: `38 min`, `3 h`, `3 h 10 min`, `26 h`, `2 days`. Never rounded up.

    Raises:
        ValueError: the spell is negative; the caller decides which words (over, left) go with it.
    """
    if value is None:
        return NOT_RECORDED
    total = value // dt.timedelta(minutes=1)
    if total < 0:
        msg = "a spell cannot be negative"
        raise ValueError(msg)
    if total < 60:
        return f"{total} min"
    hours, rest = divmod(total, 60)
    if hours < 10:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    if hours < 48:
        return f"{hours} h"
    return f"{hours // 24:,} days"


def minutes(value: int | None) -> str:
    """Write working time given in minutes in full: `45 min`, `6 h 20 min`, `37 h 30 min`."""
    if value is None:
        return NOT_RECORDED
    hours, rest = divmod(abs(value), 60)
    sign = "-" if value < 0 else ""
    if hours == 0:
        return f"{sign}{rest} min"
    return f"{sign}{hours:,} h {rest} min" if rest else f"{sign}{hours:,} h"


# People


def name(family: str, given: str, title: str = "") -> str:
    """Write a person's name as `FAMILY, Given (Title)`, in full."""
    written = f"{family.upper()}, {given}" if given else family.upper()
    return f"{written} ({title})" if title else written


def age(born: dt.date | None, on: dt.date) -> str:
    """Write an age: `46 y`; under 2 years in months, under 1 month in days.

    Raises:
        ValueError: the birth date lies after the day asked for.
    """
    if born is None:
        return NOT_RECORDED
    if born > on:
        msg = "a birth date lies after the day the age is asked for"
        raise ValueError(msg)
    months = (on.year - born.year) * 12 + on.month - born.month - (on.day < born.day)
    if months == 0:
        return count((on - born).days, "day")
    if months < 24:
        return count(months, "month")
    return f"{months // 12} y"


def born(birth_date: dt.date | None, on: dt.date) -> str:
    """Write a birth date with the age: `14-Mar-1958 (68 y)`."""
    if birth_date is None:
        return NOT_RECORDED
    return f"{date(birth_date)} ({age(birth_date, on)})"


def patient_number(value: str | None) -> str:
    """Group an all-digit record number 3 3 4 (nine digits 3 3 3); any other is left as it is."""
    if not value:
        return NOT_RECORDED
    plain = value.replace(" ", "")
    if not (plain.isascii() and plain.isdigit()) or len(plain) < 7:
        return value
    return f"{plain[:3]} {plain[3:6]} {plain[6:]}"


def or_not_recorded(value: object) -> str:
    """Write a value, or `Not recorded` where there is none; 0 is a value, an empty text is not."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return NOT_RECORDED
    return str(value)


def _decimal(value: Decimal | float) -> Decimal:
    if isinstance(value, float) and not math.isfinite(value):
        msg = "only finite numbers are written"
        raise ValueError(msg)
    return value if isinstance(value, Decimal) else Decimal(str(value))


def _rounded(value: Decimal, places: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)


def _local(value: dt.datetime) -> dt.datetime:
    # Late, so that pure calculation modules can write numbers without Django.
    from django.utils import timezone

    return timezone.localtime(value)


def _local_date(value: dt.date | dt.datetime) -> dt.date:
    return _local(value).date() if isinstance(value, dt.datetime) else value
