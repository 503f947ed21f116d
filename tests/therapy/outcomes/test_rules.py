"""What counts as due, as delivered and as the patient's own adherence."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from therapy.outcomes.rules import (
    ReasonGroup,
    WindowOutcome,
    WindowState,
    delivered,
    independent_sets,
)

MONDAY = datetime(2026, 11, 16, tzinfo=UTC)
NEXT_MONDAY = MONDAY + timedelta(days=7)


def window(state, group=None, *, ordered=None, done=None, end=MONDAY + timedelta(hours=10)):
    return WindowOutcome(
        end - timedelta(hours=2),
        end,
        WindowState(state),
        ReasonGroup(group) if group else None,
        ordered,
        done,
    )


def week(*windows):
    return delivered(windows, start=MONDAY, end=NEXT_MONDAY)


def test_the_counts_behind_a_share_are_full_in_part_and_due():
    rows = [window("full")] * 12 + [window("part", ordered=4, done=3)] * 2
    rows += [window("not_delivered", "patient")] * 3 + [window("not_delivered", "service")]
    found = week(*rows)
    assert (found.due, found.full, found.part) == (18, 12, 2)
    assert found.delivered == Fraction(27, 2)
    assert found.share == Fraction(3, 4)
    assert found.not_delivered == {"patient": 3, "service": 1, "not_recorded": 0}


def test_what_was_held_or_away_cancelled_or_still_open_is_never_due_but_is_counted_beside():
    found = week(
        window("full"),
        window("not_delivered", "clinical"),
        window("not_delivered", "away"),
        window("cancelled"),
        window("open"),
    )
    assert found.due == 1
    assert found.excluded == {"cancelled": 1, "open": 1, "clinical": 1, "away": 1}


def test_adherence_leaves_out_the_services_failures_and_what_nobody_recorded():
    found = week(
        window("full"),
        window("not_delivered", "patient"),
        window("not_delivered", "service"),
        window("not_delivered", "not_recorded"),
    )
    assert found.share == Fraction(1, 4)
    assert found.adherence == Fraction(1, 2)
    assert found.adherence_due == 2


def test_nothing_due_gives_no_percentage():
    found = week(window("not_delivered", "clinical"))
    assert (found.due, found.share, found.adherence, found.wilson) == (0, None, None, None)


def test_a_window_belongs_to_the_range_in_which_it_ends():
    late = [window("full", end=MONDAY), window("full", end=NEXT_MONDAY)]
    assert week(*late).due == 1


def test_more_than_the_ordered_dose_counts_as_one_treatment():
    assert week(window("part", ordered=4, done=6)).delivered == 1


def test_a_share_is_kept_exactly_until_it_is_shown():
    assert week(*[window("part", ordered=3, done=1)] * 3).delivered == 1


@pytest.mark.parametrize(
    ("row", "field"),
    [
        (window("part", ordered=4), "/windows/0/sets_done"),
        (window("part", done=4), "/windows/0/sets_ordered"),
        (window("not_delivered"), "/windows/0/reason_group"),
        (window("full", "patient"), "/windows/0/reason_group"),
    ],
)
def test_what_cannot_be_counted_is_refused_at_its_place(row, field):
    with pytest.raises(NotCalculable) as refused:
        week(row)
    assert refused.value.field == field


def test_an_empty_range_is_refused():
    with pytest.raises(NotCalculable, match="end after"):
        delivered([], start=MONDAY, end=MONDAY)


def test_an_empty_diary_day_is_not_a_zero_and_more_than_ordered_is_not_clamped():
    found = independent_sets([(4, 6), (4, None), (4, 4)])
    assert (found.done, found.ordered, found.share) == (10, 8, Fraction(5, 4))
    assert (found.days_reported, found.days_empty) == (2, 1)


ROW = st.one_of(
    st.sampled_from(["full", "cancelled", "open"]).map(window),
    st.sampled_from(list(ReasonGroup)).map(lambda group: window("not_delivered", group)),
    st.integers(0, 9).map(lambda done: window("part", ordered=5, done=done)),
)


@given(st.lists(ROW, max_size=30))
def test_every_window_is_counted_once_and_shares_stay_between_nothing_and_all(rows):
    found = week(*rows)
    assert found.due + sum(found.excluded.values()) == len(rows)
    assert found.full + found.part + sum(found.not_delivered.values()) == found.due
    assert 0 <= found.delivered <= found.due
    assert found.adherence is None or found.share <= found.adherence <= 1
    assert (
        found.wilson is None or 0 <= found.wilson.low <= Fraction(found.full, found.due) <= found.wilson.high
    )
