"""What beat rings for is there to be done, at times that a lost ring does not spoil."""

from datetime import UTC, datetime, timedelta

import pytest

from clinic.celery import app
from clinic.jobs import services
from clinic.jobs.models import JobRun
from clinic.jobs.registry import handler

SCHEDULED = sorted(
    entry["args"][0] for entry in app.conf.beat_schedule.values() if entry["task"].endswith(".start")
)


def test_the_clock_rings_for_the_jobs_of_the_service() -> None:
    wanted = {"flag-overdue-reassessments", "close-due-windows", "top-up-due-windows", "weekly-report"}
    assert wanted <= set(SCHEDULED)
    sweep = app.conf.beat_schedule["sweep the job ledger"]
    assert (sweep["task"], sweep["schedule"]) == ("clinic.jobs.tasks.sweep", 60.0)
    app.loader.import_default_modules()
    assert {entry["task"] for entry in app.conf.beat_schedule.values()} <= set(app.tasks)


def test_every_scheduled_kind_has_a_handler_that_knows_the_runs_due_at_a_time() -> None:
    for kind in SCHEDULED:
        slot = handler(kind).slot
        assert (slot is None) is (handler(kind).queue_due is not None), kind
        if slot is None:
            continue
        assert slot(datetime(2026, 11, 25, 9, 41, tzinfo=UTC)) == slot(
            datetime(2026, 11, 25, 9, 44, tzinfo=UTC)
        )


@pytest.mark.django_db
def test_a_week_of_rings_makes_one_weekly_report_and_a_lost_ring_is_made_good_by_the_next(doorbell) -> None:
    monday = datetime(2026, 11, 23, 0, 20, tzinfo=UTC)
    for hour in range(5, 7 * 24):
        services.start_scheduled("weekly-report", now=monday + timedelta(hours=hour))
    assert list(JobRun.objects.values_list("kind", "key")) == [("weekly-report", "2026-W47")]


@pytest.mark.django_db
def test_the_hour_that_comes_twice_in_autumn_has_four_quarters_each_time(doorbell) -> None:
    # Clocks go back at 01:00 UTC on 25 October 2026 (European summer-time rule, Directive 2000/84/EC).
    start = datetime(2026, 10, 25, 0, 0, tzinfo=UTC)
    for minute in range(0, 120, 5):
        services.start_scheduled("close-due-windows", now=start + timedelta(minutes=minute))
    assert JobRun.objects.filter(kind="close-due-windows").count() == 8
