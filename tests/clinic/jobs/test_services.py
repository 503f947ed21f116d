"""The ledger is the truth: what is asked for is done once, whatever happens to a worker or to the broker."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone

from clinic.access import NotPermitted
from clinic.jobs import services
from clinic.jobs.models import JobRun, JobState
from clinic.jobs.registry import UnknownKindError
from clinic.jobs.running import ClaimLost, Running, claim, run_job
from clinic.models import AuditEvent, Flag
from clinic.records import Refused

pytestmark = pytest.mark.django_db
LONG = timedelta(minutes=2)


def nothing(running: Running) -> None:
    """A job that is done at once."""


def test_a_job_is_stored_before_the_bell_rings_and_not_at_all_when_the_act_is_undone(
    job_of, doorbell, cast, django_capture_on_commit_callbacks
) -> None:
    kind = job_of(nothing)
    with django_capture_on_commit_callbacks(execute=True):
        run = services.enqueue(kind, "one", by=cast.lead)
        assert doorbell.rung == []
    assert doorbell.rung == [str(run.pk)]
    with transaction.atomic():
        services.enqueue(kind, "two", by=cast.lead)
        transaction.set_rollback(True)
    assert not JobRun.objects.filter(key="two").exists()
    assert doorbell.rung == [str(run.pk)]


def test_the_same_job_asked_for_twice_is_one_job(job_of, cast) -> None:
    kind = job_of(nothing)
    first = services.enqueue(kind, "2026-W47", by=cast.lead)
    assert services.enqueue(kind, "2026-W47", by=cast.manager).pk == first.pk
    run_job(first.pk)
    assert services.enqueue(kind, "2026-W47", by=cast.manager).state == JobState.DONE
    assert JobRun.objects.count() == 1


def test_a_job_that_has_ended_runs_once_more_only_where_that_is_asked_for(job_of, cast) -> None:
    done: list[str] = []
    kind = job_of(lambda running: done.append(running.key))
    run = services.enqueue(kind, "2026-W47", by=cast.lead)
    run_job(run.pk)
    run = services.enqueue(kind, "2026-W47", by=cast.manager, again=True)
    assert (run.state, run.attempts, run.requested_by) == (JobState.QUEUED, 0, cast.manager)
    run_job(run.pk)
    assert done == ["2026-W47", "2026-W47"]


def test_a_broker_that_is_away_undoes_nothing_and_the_sweep_rings_again(
    job_of, doorbell, cast, django_capture_on_commit_callbacks
) -> None:
    kind = job_of(nothing)
    doorbell.broken = True
    with django_capture_on_commit_callbacks(execute=True):
        run = services.enqueue(kind, "one", by=cast.lead)
    run.refresh_from_db()
    assert (run.state, run.rung_at) == (JobState.QUEUED, None)
    doorbell.broken = False
    assert services.sweep(now=timezone.now()).rung == 1
    assert doorbell.rung == [str(run.pk)]
    run.refresh_from_db()
    assert run.rung_at is not None


def test_a_ring_that_nobody_heard_is_repeated_after_a_minute_and_not_before(job_of, doorbell, cast) -> None:
    run = services.enqueue(job_of(nothing), "one", by=cast.lead)
    services.ring(run.pk)
    assert services.sweep(now=timezone.now()).rung == 0
    assert services.sweep(now=timezone.now() + services.RING_AGAIN_AFTER + timedelta(seconds=1)).rung == 1


def test_two_workers_that_hear_the_same_bell_do_the_job_once(job_of, cast) -> None:
    done: list[str] = []
    run = services.enqueue(job_of(lambda running: done.append(running.key)), "one", by=cast.lead)
    assert claim(run.pk) is not None
    assert claim(run.pk) is None
    assert run_job(run.pk) is False
    assert done == []


def test_a_ring_for_a_job_that_does_not_exist_is_nothing(some_id) -> None:
    assert run_job(some_id) is False


def test_a_lost_worker_is_found_by_its_silence_and_the_third_loss_opens_one_flag(
    job_of, doorbell, cast
) -> None:
    run = services.enqueue(job_of(nothing), "one", by=cast.lead)
    for attempt in (1, 2, 3):
        assert claim(run.pk) is not None
        assert services.sweep(now=timezone.now()).queued_again == 0
        swept = services.sweep(now=timezone.now() + LONG)
        run.refresh_from_db()
        assert run.attempts == attempt
        assert (swept.queued_again, swept.given_up) == ((1, 0) if attempt < 3 else (0, 1))
    assert run.state == JobState.FAILED
    flag = Flag.objects.get(kind="job_failed")
    assert (flag.owner, flag.subject_id, flag.state) == (cast.lead, str(run.pk), "open")
    assert services.sweep(now=timezone.now() + LONG) == services.Swept()
    assert Flag.objects.count() == 1


def test_a_later_success_closes_the_flag(job_of, doorbell, cast) -> None:
    run = services.enqueue(job_of(nothing), "one", by=cast.lead)
    for _ in range(3):
        claim(run.pk)
        services.sweep(now=timezone.now() + LONG)
    services.enqueue(run.kind, run.key, by=cast.lead, again=True)
    run_job(run.pk)
    flag = Flag.objects.get(kind="job_failed")
    assert (flag.state, flag.outcome) == ("closed", "done")


def test_a_worker_that_comes_back_after_its_job_was_given_away_publishes_nothing(
    job_of, doorbell, cast
) -> None:
    run = services.enqueue(job_of(nothing), "one", by=cast.lead)
    late = claim(run.pk)
    services.sweep(now=timezone.now() + LONG)
    with pytest.raises(ClaimLost), late.publishing():
        pytest.fail("nothing may be stored")
    with pytest.raises(ClaimLost):
        late.progress(1, 2)
    second = claim(run.pk)
    with second.publishing() as published:
        published.result = {"words": "in time"}
    run.refresh_from_db()
    assert (run.state, run.result) == (JobState.DONE, {"words": "in time"})


def test_a_claim_lost_while_publishing_takes_back_what_was_stored(job_of, doorbell, cast) -> None:
    run = services.enqueue(job_of(nothing), "one", by=cast.lead)
    running = claim(run.pk)

    def store_and_lose_the_claim() -> None:
        with running.publishing():
            services.enqueue(run.kind, "stored with the result", by=cast.lead)
            JobRun.objects.filter(pk=run.pk).update(claim=None)

    with pytest.raises(ClaimLost):
        store_and_lose_the_claim()
    assert not JobRun.objects.filter(key="stored with the result").exists()


def test_what_the_handler_returns_is_kept_as_the_result(job_of, cast) -> None:
    run = services.enqueue(job_of(lambda running: {"words": "12 pebbles"}), "one", by=cast.lead)
    assert run_job(run.pk)
    run.refresh_from_db()
    assert (run.state, run.result, run.attempts) == (JobState.DONE, {"words": "12 pebbles"}, 1)
    assert run.finished_at is not None


def test_a_job_that_fails_is_tried_three_times_and_its_error_quotes_no_record(job_of, doorbell, cast) -> None:
    def fails(running: Running) -> None:
        raise ValueError("MOSSWATER, Bryn")

    run = services.enqueue(job_of(fails), "one", by=cast.lead)
    for _ in range(3):
        run_job(run.pk)
    run.refresh_from_db()
    assert (run.state, run.attempts) == (JobState.FAILED, 3)
    assert run.error.startswith("ValueError at fails")
    assert "MOSSWATER" not in run.error + Flag.objects.get(kind="job_failed").words


def test_input_that_is_refused_fails_at_once_with_its_words_and_without_a_flag(job_of, cast) -> None:
    def refuses(running: Running) -> None:
        raise Refused("file", "The file has no column birth_date.")

    run = services.enqueue(job_of(refuses), "one", by=cast.lead)
    run_job(run.pk)
    run.refresh_from_db()
    assert (run.state, run.error) == (JobState.FAILED, "The file has no column birth_date.")
    assert not Flag.objects.exists()


def test_a_waiting_job_is_cancelled_at_once_and_a_running_one_at_its_next_step(job_of, cast) -> None:
    steps: list[int] = []

    def works(running: Running) -> None:
        for step in (1, 2, 3):
            steps.append(step)
            if step == 2:
                services.cancel(running.run.pk, by=cast.lead)
            running.progress(step, step)

    kind = job_of(works)
    waiting = services.enqueue(kind, "waiting", by=cast.lead)
    assert services.cancel(waiting.pk, by=cast.lead)
    assert run_job(waiting.pk) is False
    running = services.enqueue(kind, "running", by=cast.lead)
    run_job(running.pk)
    running.refresh_from_db()
    assert (running.state, steps) == (JobState.CANCELLED, [1, 2])
    assert services.cancel(running.pk, by=cast.lead) is False


def test_a_lost_job_that_was_asked_to_stop_is_not_begun_again(job_of, doorbell, cast) -> None:
    run = services.enqueue(job_of(nothing), "one", by=cast.lead)
    claim(run.pk)
    services.cancel(run.pk, by=cast.lead)
    assert services.sweep(now=timezone.now() + LONG).cancelled == 1
    run.refresh_from_db()
    assert run.state == JobState.CANCELLED


def test_only_who_asked_or_lead_or_manager_may_cancel(job_of, cast) -> None:
    run = services.enqueue(job_of(nothing), "one", by=cast.therapist)
    for stranger in (cast.colleague, cast.administrator):
        with pytest.raises(NotPermitted):
            services.cancel(run.pk, by=stranger)
    assert services.cancel(run.pk, by=cast.manager)


def test_progress_is_kept_with_its_words(job_of, cast) -> None:
    seen: list[Any] = []

    def works(running: Running) -> None:
        told = JobRun.objects.values_list("progress_done", "progress_total", "progress_words")
        running.progress(1, 4, "rows read")
        running.progress(2, 4, "rows read")
        seen.extend(told)
        running.progress(2, 4, "rows stored")
        seen.extend(told.all())
        running.progress(4, 4, "rows stored")

    run = services.enqueue(job_of(works), "one", by=cast.lead)
    run_job(run.pk)
    run.refresh_from_db()
    # The second step came too soon to be worth a write; new words are news at any time.
    assert seen == [(1, 4, "rows read"), (2, 4, "rows stored")]
    assert (run.progress_done, run.progress_total) == (4, 4)


def test_the_clock_starts_one_run_in_each_slot_however_often_it_rings(job_of) -> None:
    kind = job_of(nothing)
    for minute in (0, 7, 14, 15):
        services.start_scheduled(kind, now=datetime(2026, 11, 25, 9, minute, tzinfo=UTC))
    keys = JobRun.objects.filter(kind=kind).order_by("key").values_list("key", flat=True)
    assert list(keys) == ["2026-11-25T09:00Z", "2026-11-25T09:15Z"]


def test_a_kind_that_nobody_handles_is_refused_before_anything_is_stored(cast) -> None:
    with pytest.raises(UnknownKindError, match="count-stars"):
        services.enqueue("count-stars", "one", by=cast.lead)
    assert not JobRun.objects.exists()


def test_each_transition_is_audited_with_its_actor_but_progress_is_not(job_of, cast) -> None:
    run = services.enqueue(job_of(lambda running: running.progress(1, 1)), "one", by=cast.lead)
    run_job(run.pk)
    rows = AuditEvent.objects.filter(subject_id=str(run.pk)).order_by("id")
    assert [(row.action, row.actor_id, row.source) for row in rows] == [
        ("job_queued", cast.lead.pk, "web"),
        ("job_started", None, "job"),
        ("job_done", None, "job"),
    ]
    assert {row.request_id for row in rows if row.source == "job"} == {f"job-{run.pk}"}
