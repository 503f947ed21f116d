"""Stored due windows: made, topped up, cancelled, filled, closed; twice is once."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest

from clinic.models import AuditEvent, StandardMinutes
from clinic.patients import services as patients
from tests.conftest import NOW
from tests.screening.test_services import wait_longer
from tests.therapy.conftest import prescription
from therapy.orders import services as orders
from therapy.orders.models import Order
from therapy.scheduling import window_services as windows
from therapy.scheduling.models import DueWindow, ScheduledVisit, VisitStaff
from therapy.scheduling.windows import due_windows

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)


def _of(order: Order, **filters) -> list[DueWindow]:
    return list(DueWindow.objects.filter(order=order, **filters).order_by("earliest"))


def test_an_order_that_starts_has_its_windows_for_today_and_fourteen_days(world, ordered):
    StandardMinutes.objects.create(kind="technique", name="pep", minutes=25)
    order = ordered(world.mosswater)
    stored = _of(order)
    # The world's ward wakes at 07:00 and sleeps at 22:00: windows open at 07:00, 12:00 and 17:00. It is 09:41.
    assert (stored[0].service_date, stored[0].ordinal, stored[0].earliest) == (TODAY, 2, _clock("12:00"))
    assert len(stored) == 2 + 14 * 3
    assert stored[-1].service_date == TODAY + timedelta(days=14)
    assert {each.minutes for each in stored} == {25}


def _clock(clock: str):
    hour, minute = clock.split(":")
    return NOW.replace(hour=int(hour), minute=int(minute))


def test_stored_windows_are_those_of_the_published_calculation(world, ordered):
    order = ordered(world.mosswater)
    calculated = due_windows(
        windows.times_of(order),
        windows.day_of(world.acute, 3),
        time_zone="Europe/London",
        date_from=TODAY,
        date_to=TODAY + timedelta(days=14),
    )
    stored = [(each.service_date, each.ordinal, each.earliest, each.latest) for each in _of(order)]
    assert stored == [(each.service_date, each.ordinal, each.earliest, each.latest) for each in calculated]


@pytest.mark.parametrize(("setting", "waits"), [(None, 90), (120, 120)])
def test_head_down_drainage_waits_after_a_meal_as_long_as_the_guard_would_have_it_wait(
    world, cast, ordered, setting, waits
):
    if setting is not None:
        wait_longer(cast, setting)
    assert windows.times_of(ordered(world.mosswater, "head_down_drainage")).minutes_after_meal == waits
    assert windows.times_of(ordered(world.pebblebrook, "pep")).minutes_after_meal == 0


def test_topping_up_twice_changes_nothing_and_a_missed_night_is_caught_up(world, ordered, clock):
    order = ordered(world.mosswater)
    before = len(_of(order))
    assert windows.top_up_windows(NOW) == 0
    clock.shift(timedelta(days=20))
    later = NOW + timedelta(days=20)
    made = windows.top_up_windows(later)
    assert made == 20 * 3
    assert windows.top_up_windows(later) == 0
    dates = {each.service_date for each in _of(order)}
    assert dates == {TODAY + timedelta(days=offset) for offset in range(35)}
    assert len(_of(order)) == before + made


def test_a_draft_a_stopped_order_and_a_discharged_patient_get_no_windows(
    world, cast, ordered, clock, screened
):
    screened(world.mosswater)
    draft = orders.prescribe(by=cast.lead, patient=world.mosswater, prescription=prescription())
    stopped = ordered(world.pebblebrook)
    orders.stop(by=cast.lead, order=stopped, reason="clears by coughing")
    windows.top_up_windows(NOW + timedelta(days=3))
    assert _of(draft) == []
    assert _of(stopped, state="open") == []


def test_a_stop_cancels_what_has_not_opened_with_the_reason_and_leaves_what_has(world, cast, ordered, clock):
    order = ordered(world.mosswater)
    clock.move_to(_clock("13:00"))
    visit = ScheduledVisit.objects.create(
        patient=world.mosswater,
        window=_of(order)[-1],
        service_date=TODAY + timedelta(days=14),
        start=_of(order)[-1].earliest,
        end=_of(order)[-1].earliest + timedelta(minutes=30),
        by=cast.lead,
    )
    VisitStaff.objects.create(visit=visit, person=cast.therapist, start=visit.start, end=visit.end)
    orders.stop(by=cast.lead, order=order, reason="clears by coughing")
    still_open = _of(order, state="open")
    assert [(each.service_date, each.ordinal) for each in still_open] == [(TODAY, 2)]
    cancelled = _of(order, state="cancelled")
    assert {each.reason_words for each in cancelled} == {"order stopped: clears by coughing"}
    visit.refresh_from_db()
    assert visit.state == "cancelled"
    assert set(visit.staff.values_list("state", flat=True)) == {"cancelled"}


def test_a_change_within_an_open_window_keeps_it_and_asks_for_no_second_treatment_in_it(
    world, cast, ordered, clock
):
    order = ordered(world.mosswater)
    clock.move_to(_clock("13:00"))
    new = orders.change(
        by=cast.lead, order=order, prescription=prescription(times_a_day=2), reason="tires easily"
    )
    open_today = DueWindow.objects.filter(state="open", service_date=TODAY, latest__gt=_clock("13:00"))
    # Old: 12:00 to 14:30 stays. New, twice a day: 07:00 to 10:45 is over, 14:30 to 18:15 comes.
    assert {(each.order_id, each.earliest, each.latest) for each in open_today} == {
        (order.pk, _clock("12:00"), _clock("14:30")),
        (new.pk, _clock("14:30"), _clock("18:15")),
    }
    assert windows.top_up_windows(_clock("13:30")) == 0


def test_a_fixed_clock_time_of_the_unit_is_kept(world, ordered):
    world.acute.fixed_times = {"3": ["06:00", "14:00", "22:00"]}
    world.acute.save()
    order = ordered(world.mosswater)
    tomorrow = _of(order, service_date=TODAY + timedelta(days=1))
    zone = ZoneInfo("Europe/London")
    assert [f"{each.earliest.astimezone(zone):%H:%M}" for each in tomorrow] == ["06:00", "14:00", "22:00"]


def _close_at(moment) -> dict[tuple[date, int], tuple[str, str, str]]:
    windows.close_windows(moment)
    return {
        (each.service_date, each.ordinal): (each.state, each.reason_group, each.reason)
        for each in DueWindow.objects.exclude(state="open")
    }


def test_a_window_closes_as_not_recorded_once_a_treatment_begun_last_would_be_over(world, ordered):
    ordered(world.mosswater)
    assert windows.close_windows(_clock("14:59")) == 0
    closed = _close_at(_clock("15:00"))
    assert closed[TODAY, 2] == ("not_delivered", "not_recorded", "not_recorded")
    audited = AuditEvent.objects.filter(action="window closed").count()
    assert windows.close_windows(_clock("15:00")) == 0
    assert AuditEvent.objects.filter(action="window closed").count() == audited


def test_a_window_whose_condition_barred_it_closes_as_on_hold(world, ordered, screened):
    ordered(world.mosswater)
    screened(world.mosswater, at=_clock("10:00"), pneumothorax_suspected_or_tension="yes")
    assert _close_at(_clock("15:00"))[TODAY, 2] == ("not_delivered", "clinical", "guard_hold")


def test_a_window_that_wanted_a_decision_closes_as_on_hold(world, ordered, screened):
    ordered(world.mosswater)
    screened(world.mosswater, at=_clock("10:00"), pneumothorax_untreated="yes")
    assert _close_at(_clock("15:00"))[TODAY, 2] == ("not_delivered", "clinical", "guard_hold")


def test_a_window_whose_screening_was_incomplete_is_the_services(world, ordered, screened):
    ordered(world.mosswater)
    screened(world.mosswater, at=_clock("10:00"), pneumothorax_untreated="unknown")
    assert _close_at(_clock("15:00"))[TODAY, 2] == ("not_delivered", "service", "screening_not_done")


def test_age_alone_makes_no_hold_when_a_window_closes(world, ordered, clock):
    ordered(world.mosswater)
    tomorrow = TODAY + timedelta(days=1)
    assert _close_at(_clock("15:00") + timedelta(days=1))[tomorrow, 2][1] == "not_recorded"


def test_a_persons_hold_closes_the_windows_it_covers_as_on_hold(world, cast, ordered, clock):
    order = ordered(world.mosswater)
    clock.move_to(_clock("11:00"))
    orders.hold(by=cast.lead, order=order, reason="fever", decides="Dr L", decide_by=_clock("16:00"))
    clock.move_to(_clock("17:30"))
    orders.resume(by=cast.lead, order=order, reason="settled")
    closed = _close_at(_clock("20:00"))
    assert closed[TODAY, 2] == ("not_delivered", "clinical", "order_hold")
    # Resumed at 17:30, so that there was time from then to 19:30.
    assert closed[TODAY, 3] == ("not_delivered", "not_recorded", "not_recorded")


def test_an_order_stopped_within_a_window_leaves_it_cancelled_and_a_changed_one_leaves_it_due(
    world, cast, ordered, clock
):
    stopped, changed = ordered(world.mosswater), ordered(world.pebblebrook)
    clock.move_to(_clock("13:00"))
    orders.stop(by=cast.lead, order=stopped, reason="clears")
    orders.change(by=cast.lead, order=changed, prescription=prescription(times_a_day=2), reason="less")
    windows.close_windows(_clock("15:00"))
    assert _of(stopped, ordinal=2, service_date=TODAY)[0].state == "cancelled"
    assert _of(changed, ordinal=2, service_date=TODAY)[0].reason_group == "not_recorded"


def test_the_windows_of_a_patient_who_went_home_close_as_away(world, cast, ordered, clock):
    from clinic import records

    order = ordered(world.mosswater)
    records.amend(
        world.mosswater,
        by=cast.lead,
        reason="went home",
        changes={"state": "discharged", "state_since": _clock("11:00")},
        expect_version=1,
    )
    assert _close_at(_clock("15:00"))[TODAY, 2] == ("not_delivered", "away", "left_caseload")
    assert order.ended_at is None


def test_what_the_job_closed_between_a_death_and_its_record_is_away_and_what_came_before_stays(
    world, cast, ordered, clock
):
    ordered(world.mosswater)
    ordered(world.pebblebrook)
    died = _clock("15:30")
    monday = died + timedelta(days=3)
    before = _close_at(monday)
    assert {group for _, group, _ in before.values()} == {"not_recorded"}
    clock.move_to(monday)
    patients.record_death(world.mosswater, by=cast.lead, at=died)
    rows = DueWindow.objects.filter(patient=world.mosswater, state="not_delivered")
    away = rows.filter(latest__gt=died)
    assert away.count() > 3
    assert set(away.values_list("reason_group", "reason", "reason_words")) == {
        ("away", "left_caseload", "died")
    }
    earlier = rows.filter(latest__lte=died)
    assert set(earlier.values_list("reason_group", flat=True)) == {"not_recorded"}
    others = DueWindow.objects.filter(patient=world.pebblebrook, state="not_delivered")
    assert set(others.values_list("reason_group", flat=True)) == {"not_recorded"}
    audited = AuditEvent.objects.filter(action="windows closed anew", patient_id=world.mosswater.pk)
    assert audited.count() == 1


def test_what_a_person_recorded_as_not_given_stays_as_recorded_when_the_patient_has_left(
    world, cast, ordered, clock
):
    order = ordered(world.mosswater)
    window = _of(order, ordinal=3, service_date=TODAY)[0]
    windows.fill(
        window=window, by=cast.therapist, state="not_delivered", at=_clock("18:00"),
        reason_group="patient", reason="declined",
    )  # fmt: skip
    clock.shift(timedelta(days=1))
    patients.discharge(world.mosswater, by=cast.lead, reason="went home", at=_clock("15:30"))
    window.refresh_from_db()
    assert (window.reason_group, window.reason) == ("patient", "declined")


def test_a_late_record_fills_a_window_that_the_job_closed_but_never_one_that_is_filled(world, cast, ordered):
    order = ordered(world.mosswater)
    window = _of(order, ordinal=2, service_date=TODAY)[0]
    windows.close_windows(_clock("15:00"))
    assert windows.fill(window=window, by=cast.therapist, state="full", at=_clock("15:10"))
    assert not windows.fill(window=window, by=cast.therapist, state="part", at=_clock("15:20"))
    window.refresh_from_db()
    assert (window.state, window.reason) == ("full", "")
    assert windows.release(window=window, by=cast.therapist, reason="wrong patient")
    window.refresh_from_db()
    assert window.state == "open"


def test_making_and_closing_take_the_same_number_of_queries_for_one_order_and_for_many(
    world, cast, ordered, clock, django_assert_max_num_queries
):
    for patient in (world.mosswater, world.pebblebrook):
        for technique in ("pep", "drainage", "breathing_techniques"):
            ordered(patient, technique)
    clock.shift(timedelta(days=1))
    with django_assert_max_num_queries(10):
        assert windows.top_up_windows(NOW + timedelta(days=1)) == 6 * 3
