"""Presence: shifts less breaks less absences."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from clinic.staff.rules import Stretch, minutes_present, present, within

DAY = datetime(2026, 11, 25, tzinfo=UTC)


def at(start: float, end: float) -> Stretch:
    return Stretch(DAY + timedelta(hours=start), DAY + timedelta(hours=end))


def test_a_break_and_an_absence_are_taken_out_once_where_they_overlap() -> None:
    """Worked by hand: 08:00 to 16:00 is 480 min; out 12:00 to 12:30 and 12:15 to 13:00, together 60 min."""
    assert minutes_present([at(8, 16)], [at(12, 12.5), at(12.25, 13)]) == 420
    assert present([at(8, 16)], [at(12, 13)]) == [at(8, 12), at(13, 16)]


def test_an_absence_of_the_whole_shift_leaves_nothing() -> None:
    assert present([at(8, 16)], [at(0, 24)]) == []


def test_two_shifts_that_touch_are_one_stretch_and_overlapping_ones_count_once() -> None:
    assert present([at(8, 12), at(12, 16)], []) == [at(8, 16)]
    assert minutes_present([at(8, 12), at(10, 16)], []) == 480


def test_a_night_shift_is_clipped_to_the_day() -> None:
    assert within([at(-2, 6)], DAY, DAY + timedelta(days=1)) == [at(0, 6)]


SPANS = st.lists(
    st.tuples(st.integers(0, 96), st.integers(1, 40)).map(
        lambda pair: at(pair[0] / 4, (pair[0] + pair[1]) / 4)
    ),
    max_size=5,
)


@given(SPANS, SPANS)
def test_presence_counted_quarter_by_quarter_gives_the_same_minutes(
    shifts: list[Stretch], away: list[Stretch]
) -> None:
    """Checked against the plain definition: a quarter of an hour counts when a shift has it and no gap does."""
    quarters = (DAY + timedelta(minutes=15 * index) for index in range(140))
    counted = sum(
        15
        for quarter in quarters
        if any(one.start <= quarter < one.end for one in shifts)
        and not any(one.start <= quarter < one.end for one in away)
    )
    assert minutes_present(shifts, away) == counted
