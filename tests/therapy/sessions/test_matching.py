"""Which treatment fills which window."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from therapy.sessions.matching import Treatment, Window, match

EIGHT = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
DAY = EIGHT.date()


def window(name, hours, order="order", length=2, day=DAY):
    start = EIGHT + timedelta(hours=hours)
    return Window(name, order, day, start, start + timedelta(hours=length))


def treatment(name, hours, delivered="full", order="order", *, names=None, day=DAY):
    return Treatment(name, order, day, EIGHT + timedelta(hours=hours), delivered, names)


def test_a_treatment_fills_the_window_it_names_even_when_it_started_elsewhere():
    windows = [window("morning", 0), window("noon", 4)]
    assert match(windows, [treatment("a", 0.5, names="noon")]) == {"a": "noon"}


def test_without_a_name_it_fills_the_window_of_its_order_that_contains_its_start():
    windows = [window("other order", 0, order="another"), window("morning", 0), window("noon", 4)]
    assert match(windows, [treatment("a", 1), treatment("b", 6)]) == {"a": "morning", "b": "noon"}


def test_a_late_treatment_fills_the_nearest_earlier_window_of_the_same_day():
    windows = [window("dawn", -4), window("morning", 0), window("evening", 10)]
    assert match(windows, [treatment("a", 3)]) == {"a": "morning"}
    yesterday = DAY - timedelta(days=1)
    windows = [window("last night", -12, day=yesterday)]
    assert match(windows, [treatment("a", 3)]) == {"a": None}


def test_a_second_treatment_in_a_filled_window_goes_back_to_an_earlier_one_or_is_an_extra():
    windows = [window("morning", 0), window("noon", 4)]
    found = match(windows, [treatment("a", 4.5), treatment("b", 5), treatment("c", 5.5)])
    assert found == {"a": "noon", "b": "morning", "c": None}


def test_a_patient_who_refused_first_and_was_treated_later_was_treated():
    windows = [window("morning", 0)]
    rows = [treatment("refused", 0.5, "not_delivered", names="morning"), treatment("given", 1.5)]
    assert match(windows, rows) == {"given": "morning", "refused": None}


def test_of_two_that_name_one_window_the_more_complete_fills_it_and_the_other_looks_on():
    windows = [window("morning", 0), window("noon", 4)]
    rows = [treatment("part", 0.5, "part", names="morning"), treatment("full", 1, names="morning")]
    assert match(windows, rows) == {"full": "morning", "part": None}


@given(
    st.lists(st.tuples(st.integers(0, 23), st.sampled_from("xy")), max_size=8),
    st.lists(
        st.tuples(
            st.integers(0, 23), st.sampled_from(["full", "part", "not_delivered"]), st.sampled_from("xy")
        ),
        max_size=10,
    ),
    st.randoms(),
)
def test_no_window_is_filled_twice_and_the_order_of_arrival_does_not_matter(windows, treatments, random):
    due = [window(i, hour, order) for i, (hour, order) in enumerate(windows)]
    rows = [treatment(i, hour, how, order) for i, (hour, how, order) in enumerate(treatments)]
    found = match(due, rows)
    used = [each for each in found.values() if each is not None]
    assert len(used) == len(set(used))
    assert set(found) == {row.id for row in rows}
    orders = {each.id: each.order for each in due}
    assert all(orders[found[row.id]] == row.order for row in rows if found[row.id] is not None)
    random.shuffle(due)
    random.shuffle(rows)
    assert match(due, rows) == found
