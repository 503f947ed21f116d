"""Due windows against RFC 5545 (recurrence, through dateutil) and the IANA time zone database."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil import rrule
from hypothesis import given, settings
from hypothesis import strategies as st

from therapy.scheduling.windows import Day, OrderTimes, due_windows

NEW_YORK = "America/New_York"


def _clock(*times: str) -> tuple[time, ...]:
    return tuple(time.fromisoformat(each) for each in times)


def _starts(order: OrderTimes, day: Day, zone: str, first: date, last: date) -> list[datetime]:
    windows = due_windows(order, day, time_zone=zone, date_from=first, date_to=last)
    return [window.earliest for window in windows]


def test_daily_until_24_december_crosses_the_end_of_summer_time_as_rfc_5545_lists_it() -> None:
    # RFC 5545, section 3.8.5.3: DTSTART;TZID=America/New_York:19970902T090000,
    # RRULE:FREQ=DAILY;UNTIL=19971224T000000Z gives 9:00 EDT to October 25 and 9:00 EST to December 23.
    order = OrderTimes(
        1, datetime(1997, 9, 2, 9, tzinfo=ZoneInfo(NEW_YORK)), datetime(1997, 12, 24, tzinfo=UTC)
    )
    starts = _starts(
        order, Day(time(7), time(22), (), _clock("09:00")), NEW_YORK, date(1997, 9, 1), date(1998, 1, 5)
    )
    assert len(starts) == 29 + 31 + 30 + 23
    for start in starts:
        utc_hour = 13 if start.date() <= date(1997, 10, 25) else 14
        assert (start.hour, start.minute) == (utc_hour, 0)
    assert starts[-1].date() == date(1997, 12, 23)


def test_every_twenty_minutes_of_a_working_day_is_the_list_of_rfc_5545() -> None:
    # RFC 5545, section 3.8.5.3: RRULE:FREQ=DAILY;BYHOUR=9,10,11,12,13,14,15,16;BYMINUTE=0,20,40
    # gives 9:00, 9:20, 9:40 ... 16:00, 16:20, 16:40 on September 2, September 3, ...
    rule = rrule.rrulestr(
        "FREQ=DAILY;BYHOUR=9,10,11,12,13,14,15,16;BYMINUTE=0,20,40",
        dtstart=datetime.fromisoformat("1997-09-02T09:00"),
    )
    expected = [each.replace(tzinfo=ZoneInfo(NEW_YORK)).astimezone(UTC) for each in rule[:72]]
    fixed = tuple(time(hour, minute) for hour in range(9, 17) for minute in (0, 20, 40))
    order = OrderTimes(24, datetime(1997, 9, 2, tzinfo=ZoneInfo(NEW_YORK)))
    day = Day(time(7), time(22), (), fixed)
    assert _starts(order, day, NEW_YORK, date(1997, 9, 1), date(1997, 9, 4)) == expected


@settings(max_examples=60)
@given(
    first=st.dates(date(2001, 1, 1), date(2036, 12, 1)),
    hours=st.lists(st.integers(0, 23), min_size=1, max_size=6, unique=True).map(sorted),
    zone=st.sampled_from(["Europe/London", "Asia/Kolkata", "America/St_Johns", "Australia/Lord_Howe"]),
)
def test_fixed_clock_times_recur_as_dateutil_has_them_outside_a_gap(
    first: date, hours: list[int], zone: str
) -> None:
    info = ZoneInfo(zone)
    rule = rrule.rrule(
        rrule.DAILY, dtstart=datetime.combine(first, time(0)), count=9 * len(hours), byhour=hours, byminute=0
    )
    wall_times = [each.replace(second=0) for each in rule]
    day = Day(time(7), time(22), (), tuple(time(hour) for hour in hours))
    order = OrderTimes(len(hours), datetime(2000, 1, 1, tzinfo=UTC))
    starts = _starts(order, day, zone, first, first + timedelta(days=8))
    assert len(starts) == len(wall_times)
    for start, wall in zip(starts, wall_times, strict=True):
        instant = wall.replace(tzinfo=info, fold=0).astimezone(UTC)
        if instant.astimezone(info).replace(tzinfo=None) == wall:
            assert start == instant
        else:
            # RFC 5545 section 3.3.5 would read a time in a gap by the offset before it (02:30 becomes 03:30).
            # A treatment should not slip that far: here it moves to the gap's end.
            assert wall < start.astimezone(info).replace(tzinfo=None) <= wall + timedelta(hours=1)
            assert (start - timedelta(seconds=1)).astimezone(info).utcoffset() != start.astimezone(
                info
            ).utcoffset()


# Transitions as the IANA time zone database (release 2025b, package tzdata) lists them.
GAPS = [
    ("Europe/London", date(2026, 3, 29), "01:30", datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
    ("America/New_York", date(2026, 3, 8), "02:30", datetime(2026, 3, 8, 7, 0, tzinfo=UTC)),
    ("America/St_Johns", date(2026, 3, 8), "02:15", datetime(2026, 3, 8, 5, 30, tzinfo=UTC)),
    ("Australia/Lord_Howe", date(2026, 10, 4), "02:15", datetime(2026, 10, 3, 15, 30, tzinfo=UTC)),
    ("Africa/Cairo", date(2026, 4, 24), "00:20", datetime(2026, 4, 23, 22, 0, tzinfo=UTC)),
    ("Asia/Beirut", date(2026, 3, 29), "00:00", datetime(2026, 3, 28, 22, 0, tzinfo=UTC)),
]
FOLDS = [
    ("Europe/London", date(2026, 10, 25), "01:30", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    ("America/New_York", date(2026, 11, 1), "01:30", datetime(2026, 11, 1, 5, 30, tzinfo=UTC)),
    ("Australia/Lord_Howe", date(2026, 4, 5), "01:45", datetime(2026, 4, 4, 14, 45, tzinfo=UTC)),
    ("America/Havana", date(2026, 11, 1), "00:15", datetime(2026, 11, 1, 4, 15, tzinfo=UTC)),
]


@pytest.mark.parametrize(("zone", "on", "clock", "expected"), GAPS + FOLDS)
def test_a_window_on_a_clock_change_begins_where_the_iana_transition_puts_it(
    zone: str, on: date, clock: str, expected: datetime
) -> None:
    order = OrderTimes(1, datetime(2026, 1, 1, tzinfo=UTC))
    windows = due_windows(
        order, Day(time(7), time(22), (), _clock(clock)), time_zone=zone, date_from=on, date_to=on
    )
    assert [(window.service_date, window.earliest) for window in windows] == [(on, expected)]
    assert windows[0].latest > windows[0].earliest


def test_a_date_that_the_zone_never_had_has_no_windows() -> None:
    # Samoa went from Thursday 29 December 2011 to Saturday 31 December (IANA, zone Pacific/Apia).
    order = OrderTimes(2, datetime(2011, 1, 1, tzinfo=UTC))
    windows = due_windows(
        order,
        Day(time(7), time(22)),
        time_zone="Pacific/Apia",
        date_from=date(2011, 12, 29),
        date_to=date(2011, 12, 31),
    )
    assert [window.service_date.day for window in windows] == [29, 29, 31, 31]
