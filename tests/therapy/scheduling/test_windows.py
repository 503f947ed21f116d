"""Due windows where no published text speaks: shares of the day, meals, starts, holds and stops."""

import itertools
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from therapy.scheduling.windows import Day, Hold, OrderTimes, Window, due_windows, is_held

LONDON = "Europe/London"
WARD = Day(time(7), time(22))
LONG_AGO = datetime(2026, 1, 1, tzinfo=UTC)
WINTER = date(2026, 11, 25)


def _at(clock: str, on: date = WINTER) -> datetime:
    return datetime.combine(on, time.fromisoformat(clock), tzinfo=UTC)


def _windows(order: OrderTimes, day: Day = WARD, *holds: Hold, last: date = WINTER) -> list[Window]:
    return list(due_windows(order, day, time_zone=LONDON, date_from=WINTER, date_to=last, holds=holds))


def _clocks(windows: list[Window], zone: str = LONDON) -> list[str]:
    info = ZoneInfo(zone)
    return [
        f"{each.earliest.astimezone(info):%H:%M}-{each.latest.astimezone(info):%H:%M}" for each in windows
    ]


def test_three_times_a_day_opens_for_the_first_half_of_each_third_of_the_waking_day() -> None:
    assert _clocks(_windows(OrderTimes(3, LONG_AGO))) == ["07:00-09:30", "12:00-14:30", "17:00-19:30"]


def test_a_ward_that_works_by_the_clock_gives_four_times_a_day_at_its_fixed_times() -> None:
    by_the_clock = Day(time(6), time(22), (), (time(6), time(12), time(18), time(0)))
    windows = _windows(OrderTimes(4, LONG_AGO), by_the_clock)
    assert _clocks(windows) == ["00:00-03:00", "06:00-09:00", "12:00-15:00", "18:00-21:00"]
    assert _clocks(_windows(OrderTimes(2, LONG_AGO), by_the_clock)) == ["06:00-12:00", "18:00-00:00"]
    assert _clocks(_windows(OrderTimes(1, LONG_AGO), by_the_clock)) == ["06:00-18:00"]


def test_the_last_window_before_the_night_is_no_longer_than_the_others() -> None:
    by_day = Day(time(7), time(22), (), (time(8), time(12), time(16), time(20)))
    assert _clocks(_windows(OrderTimes(4, LONG_AGO), by_day)) == [
        "08:00-10:00",
        "12:00-14:00",
        "16:00-18:00",
        "20:00-22:00",
    ]


def test_fixed_times_that_cannot_be_shared_out_evenly_leave_the_waking_day_to_decide() -> None:
    by_the_clock = Day(time(7), time(22), (), (time(6), time(12), time(18), time(0)))
    assert _windows(OrderTimes(3, LONG_AGO), by_the_clock) == _windows(OrderTimes(3, LONG_AGO))


def test_no_window_of_head_down_drainage_opens_within_the_wait_after_a_meal() -> None:
    with_meals = Day(time(7), time(22), (time(8), time(12, 30), time(18)))
    windows = _windows(OrderTimes(2, LONG_AGO, minutes_after_meal=90), with_meals)
    assert _clocks(windows) == ["09:30-12:07", "15:15-17:52"]


def test_a_fixed_time_just_after_a_meal_waits_until_the_meal_has_settled() -> None:
    with_meals = Day(time(7), time(22), (time(12),), (time(12), time(12, 30)))
    windows = _windows(OrderTimes(2, LONG_AGO, minutes_after_meal=90), with_meals)
    assert _clocks(windows)[0] == "13:30-13:45"


def test_meals_round_the_clock_with_a_long_wait_are_refused_with_the_reason() -> None:
    fed_often = Day(time(7), time(22), tuple(time(hour) for hour in range(0, 24, 3)))
    with pytest.raises(NotCalculable) as refused:
        _windows(OrderTimes(2, LONG_AGO, minutes_after_meal=180), fed_often)
    assert (refused.value.field, refused.value.code) == ("/order/minutes_after_meal", "inconsistent")


def test_a_day_that_runs_past_midnight_counts_its_late_window_on_the_date_it_begins() -> None:
    night_owl = Day(time(12), time(4))
    windows = _windows(OrderTimes(4, LONG_AGO), night_owl, last=WINTER + timedelta(days=1))
    assert _clocks(windows) == [
        *("00:00-02:00", "12:00-14:00", "16:00-18:00", "20:00-22:00"),
        *("00:00-02:00", "12:00-14:00", "16:00-18:00", "20:00-22:00"),
    ]
    assert [each.ordinal for each in windows] == [1, 2, 3, 4, 1, 2, 3, 4]


def test_an_order_that_starts_within_the_day_keeps_the_numbers_of_the_whole_day() -> None:
    windows = _windows(OrderTimes(3, _at("13:00")))
    assert _clocks(windows) == ["13:00-14:30", "17:00-19:30"]
    assert [each.ordinal for each in windows] == [2, 3]


def test_an_order_that_stops_within_a_window_closes_it_then() -> None:
    assert _clocks(_windows(OrderTimes(3, LONG_AGO, _at("13:00")))) == ["07:00-09:30", "12:00-13:00"]
    assert _clocks(_windows(OrderTimes(3, LONG_AGO, _at("12:00")))) == ["07:00-09:30"]


def test_a_hold_takes_out_what_it_covers_and_shortens_what_it_touches() -> None:
    hold = Hold(_at("09:00"), _at("13:30"))
    assert _clocks(_windows(OrderTimes(3, LONG_AGO), WARD, hold)) == [
        "07:00-09:00",
        "13:30-14:30",
        "17:00-19:30",
    ]
    open_ended = Hold(_at("12:00"))
    assert _clocks(_windows(OrderTimes(3, LONG_AGO), WARD, open_ended)) == ["07:00-09:30"]


def test_a_window_cut_in_two_by_a_hold_keeps_its_longer_part() -> None:
    short_test = Hold(_at("07:30"), _at("08:00"))
    assert _clocks(_windows(OrderTimes(3, LONG_AGO), WARD, short_test))[0] == "08:00-09:30"
    in_the_middle = Hold(_at("08:00"), _at("08:30"))
    assert _clocks(_windows(OrderTimes(3, LONG_AGO), WARD, in_the_middle))[0] == "07:00-08:00"


def test_only_a_hold_that_leaves_no_time_makes_a_window_held() -> None:
    earliest, latest = _at("12:00"), _at("14:30")
    assert is_held(earliest, latest, [Hold(_at("11:00"))])
    assert is_held(earliest, latest, [Hold(_at("11:00"), _at("13:00")), Hold(_at("13:00"), _at("15:00"))])
    assert not is_held(earliest, latest, [Hold(_at("11:00"), _at("13:00"))])
    assert not is_held(earliest, latest, [])


def test_a_remainder_that_would_begin_after_midnight_is_not_due() -> None:
    late = Day(time(12), time(4), (), (time(23),))
    assert _windows(OrderTimes(1, _at("00:30", WINTER + timedelta(days=1))), late) == []


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"times_a_day": 0}, "/order/times_a_day"),
        ({"times_a_day": 25}, "/order/times_a_day"),
        ({"minutes_after_meal": -1}, "/order/minutes_after_meal"),
        ({"starts_at": datetime.fromisoformat("2026-11-25")}, "/order/starts_at"),
        ({"ends_at": datetime(2025, 1, 1, tzinfo=UTC)}, "/order/ends_at"),
    ],
)
def test_what_cannot_be_placed_is_refused_by_field(change: dict[str, object], field: str) -> None:
    given_order = {"times_a_day": 2, "starts_at": LONG_AGO, **change}
    with pytest.raises(NotCalculable) as refused:
        _windows(OrderTimes(**given_order))  # type: ignore[arg-type]
    assert refused.value.field == field


def test_an_unknown_zone_and_disordered_fixed_times_are_refused() -> None:
    with pytest.raises(NotCalculable) as refused:
        due_windows(OrderTimes(1, LONG_AGO), WARD, time_zone="Mars/Olympus", date_from=WINTER, date_to=WINTER)
    assert refused.value.field == "/time_zone"
    with pytest.raises(NotCalculable) as refused:
        _windows(OrderTimes(2, LONG_AGO), Day(time(7), time(22), (), (time(6), time(18), time(12))))
    assert refused.value.field == "/day/fixed_times"


@settings(max_examples=80)
@given(
    times_a_day=st.integers(1, 12),
    wake=st.integers(0, 23),
    waking_hours=st.integers(8, 24),
    meals=st.lists(st.integers(0, 23), max_size=3, unique=True),
    wait=st.sampled_from([0, 30, 90]),
    zone=st.sampled_from(["Europe/London", "Asia/Kathmandu", "Australia/Lord_Howe", "America/Asuncion"]),
    first=st.dates(date(2020, 1, 1), date(2030, 1, 1)),
)
def test_every_date_has_all_its_windows_apart_in_order_and_the_same_however_it_is_asked(
    *, times_a_day: int, wake: int, waking_hours: int, meals: list[int], wait: int, zone: str, first: date
) -> None:
    day = Day(time(wake), time((wake + waking_hours) % 24), tuple(time(hour) for hour in meals))
    order = OrderTimes(times_a_day, datetime(2019, 1, 1, tzinfo=UTC), minutes_after_meal=wait)
    last = first + timedelta(days=7)
    week = due_windows(order, day, time_zone=zone, date_from=first, date_to=last)
    assert len(week) == 8 * times_a_day
    one_by_one = [
        window
        for offset in range(8)
        for window in due_windows(
            order,
            day,
            time_zone=zone,
            date_from=first + timedelta(days=offset),
            date_to=first + timedelta(days=offset),
        )
    ]
    assert list(week) == one_by_one
    for window in week:
        assert window.earliest < window.latest
        assert window.earliest.astimezone(ZoneInfo(zone)).date() == window.service_date
    keys = [(window.service_date, window.ordinal) for window in week]
    assert keys == sorted(set(keys))
    for before, following in itertools.pairwise(week):
        # On a spring night two windows may be pushed together to the gap's end, never out of order.
        assert before.earliest <= following.earliest
