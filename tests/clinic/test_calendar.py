"""Spells and wall times, held against dateutil, an independent implementation of both."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from clinic.calendar import Spell, Week, after, instant_of, to_the_minute

LONDON = ZoneInfo("Europe/London")
WALL_TIMES = st.datetimes(
    min_value=datetime.fromisoformat("2001-01-01"), max_value=datetime.fromisoformat("2036-12-31")
)


@pytest.mark.parametrize("wall", [time(1, 0), time(1, 30), time(1, 59)])
def test_a_wall_time_in_the_spring_gap_moves_to_the_end_of_the_gap(wall: time) -> None:
    # At 01:00 UTC on the last Sunday of March British clocks go to 02:00 (Summer Time Order 2002).
    assert instant_of(date(2026, 3, 29), wall, LONDON) == datetime(2026, 3, 29, 1, 0, tzinfo=UTC)


def test_a_wall_time_that_comes_twice_takes_the_first() -> None:
    assert instant_of(date(2026, 10, 25), time(1, 30), LONDON) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_a_gap_of_half_an_hour_ends_where_the_zone_says() -> None:
    # Lord Howe Island moves by 30 minutes (IANA time zone database).
    zone = ZoneInfo("Australia/Lord_Howe")
    local = instant_of(date(2026, 10, 4), time(2, 15), zone).astimezone(zone)
    assert (local.hour, local.minute) == (2, 30)


@given(
    WALL_TIMES,
    st.sampled_from(["Europe/London", "America/St_Johns", "Asia/Kolkata", "Pacific/Auckland"]),
)
def test_any_other_wall_time_is_the_instant_dateutil_finds(wall: datetime, name: str) -> None:
    reference = tz.gettz(name)
    assert reference is not None
    ours = instant_of(wall.date(), wall.time(), ZoneInfo(name))
    if tz.datetime_exists(wall.replace(tzinfo=reference)):
        assert ours == wall.replace(tzinfo=reference, fold=0).astimezone(UTC)
    else:
        assert ours.astimezone(ZoneInfo(name)).replace(tzinfo=None) > wall


@given(WALL_TIMES, st.integers(1, 40))
def test_months_end_on_the_last_day_as_dateutil_has_it(wall: datetime, months: int) -> None:
    start = wall.replace(tzinfo=UTC)
    assert after(start, Spell(months, "months"), ZoneInfo("UTC")) == start + relativedelta(months=months)


def test_hours_are_elapsed_time_and_days_are_the_calendar_when_the_clocks_change() -> None:
    evening_before = datetime(2026, 3, 28, 18, 0, tzinfo=UTC)
    assert after(evening_before, Spell(24, "hours"), LONDON) == datetime(2026, 3, 29, 18, 0, tzinfo=UTC)
    assert after(evening_before, Spell(1, "days"), LONDON) == datetime(2026, 3, 29, 17, 0, tzinfo=UTC)
    assert after(evening_before, Spell(1, "weeks"), LONDON) == datetime(2026, 4, 4, 17, 0, tzinfo=UTC)


def test_seconds_do_not_count_in_a_due_time() -> None:
    assert to_the_minute(datetime(2026, 5, 1, 10, 0, 59, tzinfo=UTC)) == datetime(2026, 5, 1, 10, tzinfo=UTC)
    assert to_the_minute(datetime(2026, 5, 1, 10, 0, tzinfo=UTC) + timedelta(minutes=1)).minute == 1


@given(st.dates(min_value=date(1999, 1, 1), max_value=date(2040, 12, 31)))
def test_weeks_are_iso_weeks_as_the_standard_library_has_them(day: date) -> None:
    week = Week.of(day)
    assert str(week) == day.strftime("%G-W%V")
    assert Week.parse(str(week)) == week
    assert week.first_day <= day <= week.last_day
    assert week.shifted(-1).last_day + timedelta(days=1) == week.first_day


def test_the_week_of_the_clock_change_has_an_hour_more_or_less() -> None:
    start, end = Week.parse("2026-W43").bounds(LONDON)
    assert end - start == timedelta(days=7, hours=1)


@pytest.mark.parametrize("name", ["2026-W54", "2025-W53", "2026-47", "2026-W00", "2026-W47 "])
def test_a_name_that_is_no_week_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="week"):
        Week.parse(name)
