"""When a patient must be reassessed."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from clinic.calendar import Spell
from therapy.reassessment.rules import Act, Event, Reason, Settings, reassessment_due

# AARC 1991, Respir Care 36:1418, from memory: intensive care 48 h, acute ward 72 h, home 3 months. Local: the others.
SETTINGS = Settings(
    ZoneInfo("Europe/London"),
    {
        "intensive": Spell(48, "hours"),
        "step_down": Spell(48, "hours"),
        "acute": Spell(72, "hours"),
        "outpatient": Spell(3, "months"),
        "home": Spell(3, "months"),
    },
)
START = datetime(2026, 11, 16, 9, 0, tzinfo=UTC)


def hours(number):
    return START + timedelta(hours=number)


def due(*events, now=START, where="acute"):
    return reassessment_due(care_setting=where, settings=SETTINGS, events=events, now=now)


def started(at=START, where=None):
    return Event(Act.ORDER_STARTED, at, where)


def reassessed(at, where=None):
    return Event(Act.REASSESSED, at, where)


def moved(at, where):
    return Event(Act.CARE_SETTING_CHANGED, at, where)


@pytest.mark.parametrize(("where", "after"), [("intensive", 48), ("step_down", 48), ("acute", 72)])
def test_never_reassessed_it_is_due_from_the_start_of_the_order(where, after):
    found = due(started(), where=where)
    assert found.due_at == hours(after)
    assert found.reasons == (Reason.NEVER_REASSESSED,)


def test_at_home_three_months_are_counted_on_the_calendar_and_keep_the_wall_time():
    # 30-Nov plus three months is 28-Feb; 29-Dec 09:00 plus three months is 29-Mar 09:00 summer time.
    assert due(started(datetime(2026, 11, 30, 9, 0, tzinfo=UTC)), where="home", now=hours(999)).due_at == (
        datetime(2027, 2, 28, 9, 0, tzinfo=UTC)
    )
    winter = datetime(2025, 12, 29, 9, 0, tzinfo=UTC)
    assert due(started(winter), where="home").due_at == datetime(2026, 3, 29, 8, 0, tzinfo=UTC)


def test_the_last_reassessment_starts_the_time_anew():
    found = due(started(), reassessed(hours(60)), reassessed(hours(20)), now=hours(100))
    assert found.due_at == hours(132)
    assert found.reasons == (Reason.SINCE_LAST_REASSESSMENT,)


def test_at_the_due_minute_it_is_due_and_not_overdue():
    last_second_before = due(started(), now=hours(72) - timedelta(seconds=1))
    assert (last_second_before.due, last_second_before.overdue) == (False, False)
    for seconds in (0, 59):
        at_the_minute = due(started(), now=hours(72) + timedelta(seconds=seconds))
        assert (at_the_minute.due, at_the_minute.overdue) == (True, False)
    assert due(started(), now=hours(72) + timedelta(minutes=1)).overdue


def test_a_move_to_a_stricter_setting_shortens_the_running_time():
    found = due(started(where="acute"), moved(hours(10), "intensive"), now=hours(20), where="intensive")
    assert found.due_at == hours(48)
    assert Reason.STRICTER_SETTING in found.reasons


def test_a_move_to_a_laxer_setting_never_postpones_it():
    found = due(started(where="intensive"), moved(hours(10), "home"), now=hours(20), where="home")
    assert found.due_at == hours(48)
    assert Reason.LAXER_SETTING in found.reasons
    after_the_next = due(
        started(where="intensive"), moved(hours(10), "home"), reassessed(hours(30), "home"),
        now=hours(40), where="home",
    )  # fmt: skip
    assert after_the_next.due_at == datetime(2027, 2, 17, 15, 0, tzinfo=UTC)


def test_a_passing_stay_in_intensive_care_still_counts():
    found = due(started(where="acute"), moved(hours(5), "intensive"), moved(hours(9), "acute"), now=hours(20))
    assert found.due_at == hours(48)


def test_the_setting_at_the_act_is_taken_from_the_last_move_before_it():
    found = due(
        started(), moved(hours(1), "intensive"), reassessed(hours(2)), moved(hours(3), "acute"), now=hours(4)
    )
    assert found.due_at == hours(50)


def test_what_lies_in_the_future_does_not_count_yet():
    assert due(started(), moved(hours(30), "intensive"), now=hours(20)).due_at == hours(72)


def test_without_an_order_and_without_a_reassessment_nothing_can_be_said():
    with pytest.raises(NotCalculable, match="Neither"):
        due(moved(hours(1), "acute"), now=hours(2))


def test_a_care_setting_without_an_interval_is_refused_by_name():
    with pytest.raises(NotCalculable) as refused:
        due(started(), where="hospice")
    assert refused.value.field == "/settings/intervals/hospice"


@given(
    st.lists(st.tuples(st.integers(0, 200), st.sampled_from(sorted(SETTINGS.spells))), max_size=6),
    st.integers(0, 200),
    st.sampled_from(sorted(SETTINGS.spells)),
)
def test_one_move_more_never_makes_the_due_time_later(moves, at, where):
    now = hours(400)
    before = due(started(where="acute"), *[moved(hours(h), w) for h, w in moves], now=now)
    after = due(started(where="acute"), *[moved(hours(h), w) for h, w in [*moves, (at, where)]], now=now)
    assert after.due_at <= before.due_at
