"""Windows put one after the other into free time."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

from hypothesis import given, settings
from hypothesis import strategies as st

from therapy.scheduling.in_order import Placed, Span, Wanted, free_time, place_in_order

MORNING = datetime(2026, 11, 25, 7, tzinfo=UTC)


def _at(minutes: int) -> datetime:
    return MORNING + timedelta(minutes=minutes)


def _span(start: int, end: int) -> Span:
    return Span(_at(start), _at(end))


def _wanted(number: int, earliest: int, latest: int, minutes: int = 30, *, patient: int = 0, apart: int = 0):
    return Wanted(UUID(int=number), UUID(int=patient or number), _at(earliest), _at(latest), minutes, apart)


def _starts(placed: list[Placed]) -> list[tuple[int, int]]:
    return [(each.id.int, (each.span.start - MORNING) // timedelta(minutes=1)) for each in placed]


def test_free_time_is_the_shift_less_breaks_absence_and_visits():
    assert free_time([_span(0, 480)], [_span(240, 270), _span(0, 30), _span(450, 600), _span(20, 40)]) == [
        _span(40, 240),
        _span(270, 450),
    ]
    assert free_time([_span(0, 60)], [_span(-10, 70)]) == []


def test_the_window_that_closes_first_is_served_first():
    placed, left = place_in_order(
        [_wanted(1, 0, 300), _wanted(2, 0, 20), _wanted(3, 0, 60)], [_span(0, 480)], patients_taken={}
    )
    assert _starts(placed) == [(2, 0), (3, 30), (1, 60)]
    assert left == []


def test_set_up_and_the_way_are_kept_free_between_two_visits():
    placed, _ = place_in_order(
        [_wanted(1, 0, 20, apart=10), _wanted(2, 0, 100, apart=10)], [_span(0, 480)], patients_taken={}
    )
    assert _starts(placed) == [(1, 0), (2, 40)]


def test_what_a_patient_has_already_is_gone_round():
    wanted = _wanted(1, 0, 100)
    placed, _ = place_in_order([wanted], [_span(0, 480)], patients_taken={wanted.patient: [_span(10, 47)]})
    assert _starts(placed) == [(1, 50)]


def test_two_windows_of_one_patient_are_never_at_once():
    placed, left = place_in_order(
        [_wanted(1, 0, 100, patient=9), _wanted(2, 0, 100, patient=9)], [_span(0, 480)], patients_taken={}
    )
    assert _starts(placed) == [(1, 0), (2, 30)]
    assert left == []


def test_a_window_without_room_is_left_out():
    placed, left = place_in_order([_wanted(1, 0, 20), _wanted(2, 0, 20)], [_span(0, 480)], patients_taken={})
    assert _starts(placed) == [(1, 0)]
    assert left == [UUID(int=2)]


@settings(max_examples=80)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 400),
            st.integers(0, 120),
            st.sampled_from([15, 30, 45]),
            st.integers(1, 4),
            st.sampled_from([0, 10]),
        ),
        max_size=14,
    )
)
def test_nobody_is_in_two_places_and_every_start_lies_in_its_window_and_in_free_time(given_windows):
    wanted = [
        Wanted(UUID(int=number), UUID(int=patient), _at(earliest), _at(earliest + width), minutes, apart)
        for number, (earliest, width, minutes, patient, apart) in enumerate(given_windows, start=1)
    ]
    free = [_span(0, 200), _span(230, 480)]
    placed, left = place_in_order(wanted, free, patients_taken={})
    assert {each.id for each in placed} | set(left) == {each.id for each in wanted}
    by_id = {each.id: each for each in wanted}
    spans = [each.span for each in placed]
    for each in placed:
        window = by_id[each.id]
        assert window.earliest <= each.span.start <= window.latest
        assert any(stretch.start <= each.span.start and each.span.end <= stretch.end for stretch in free)
        assert sum(each.span.overlaps(other) for other in spans) == 1
