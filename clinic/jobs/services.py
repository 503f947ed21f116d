"""Queues jobs, rings for them, cancels them, and mends what a lost worker or broker left behind.

The row in JobRun is the truth; the broker is only a doorbell. Every transition is a compare-and-set, so that two
workers, a sweep and a person may act at the same moment on either database.
"""

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from clinic.access import require
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.audit import services as audit
from clinic.jobs.models import JobRun, JobState
from clinic.jobs.registry import handler
from clinic.records import move
from clinic.staff.models import Person
from clinic.staff.roles import EVERYONE, Role

logger = logging.getLogger("clinic.jobs")

LOST_AFTER = timedelta(seconds=60)
RING_AGAIN_AFTER = timedelta(seconds=60)
MOST_ATTEMPTS = 3
FINISHED = (JobState.DONE, JobState.FAILED, JobState.CANCELLED)


@dataclass(frozen=True)
class Swept:
    """How many jobs a sweep queued again, gave up, cancelled and rang for."""

    queued_again: int = 0
    given_up: int = 0
    cancelled: int = 0
    rung: int = 0


@transaction.atomic
def enqueue(
    kind: str,
    key: str,
    *,
    by: Person | None,
    arguments: Mapping[str, Any] | None = None,
    again: bool = False,
) -> JobRun:
    """Sees to it that the job `kind` `key` runs once, and rings for it after commit.

    Args:
        by: The person who asked; None for the clock.
        arguments: What the handler needs: ids and plain values, no names of patients.
        again: Runs a job that has ended once more; without it, one that has ended stays as it is.
    Returns: the row, new or the one that was there.
    Raises: UnknownKindError where nobody handles this kind.
    """
    handler(kind)
    if by is not None:
        require(by, *EVERYONE)
    asked = {"arguments": dict(arguments or {}), "requested_by": by}
    run, created = JobRun.objects.get_or_create(kind=kind, key=key, defaults=asked)
    if not created and not (again and _queue_afresh(run, asked)):
        return run
    _audit("job_queued", run, by=by)
    run.refresh_from_db()
    transaction.on_commit(lambda: ring(run.pk), robust=True)
    return run


def start_scheduled(kind: str, *, now: datetime) -> list[JobRun]:
    """Queues the runs of `kind` that are due at `now`; a second call changes nothing.

    Returns: the runs that are due, new or already there.
    """
    scheduled = handler(kind)
    if scheduled.queue_due is not None:
        return list(scheduled.queue_due(now))
    if scheduled.slot is None:
        raise ValueError(f"Jobs of kind {kind!r} are started by people, not by the clock.")
    return [enqueue(kind, scheduled.slot(now), by=None)]


@transaction.atomic
def cancel(run_id: UUID, *, by: Person) -> bool:
    """Cancels a waiting job at once; asks a running one to stop at its next progress. False where it had ended.

    Raises: NotPermitted unless `by` asked for the job or is the lead or the manager.
    """
    run = JobRun.objects.get(pk=run_id)
    if run.requested_by_id != by.pk:
        require(by, Role.LEAD, Role.MANAGER)
    if move(
        JobRun,
        run_id,
        frm=(JobState.QUEUED,),
        to=JobState.CANCELLED,
        cancel_requested=True,
        finished_at=timezone.now(),
    ):
        _audit("job_cancelled", run, by=by)
        return True
    asked = JobRun.objects.filter(pk=run_id, state=JobState.RUNNING).update(cancel_requested=True) == 1
    if asked:
        _audit("job_asked_to_stop", run, by=by)
    return asked


def ring(run_id: UUID) -> bool:
    """Rings for a queued job. A broker that does not answer is harmless: the sweep rings again."""
    from clinic.celery import app

    try:
        app.send_task("clinic.jobs.tasks.run_job", args=[str(run_id)])
    except Exception:
        # Each transport fails in its own way, and none may undo what is stored.
        logger.warning("the broker did not take the ring; the sweep will ring again", exc_info=True)
        return False
    JobRun.objects.filter(pk=run_id, state=JobState.QUEUED).update(rung_at=timezone.now())
    return True


def sweep(*, now: datetime) -> Swept:
    """Mends what was lost: running without a heartbeat for a minute, or queued and not heard.

    A lost job is queued again until its third attempt is lost too; then it has failed, and a flag says so.
    """
    queued_again = given_up = cancelled = 0
    lost = JobRun.objects.filter(state=JobState.RUNNING, heartbeat_at__lt=now - LOST_AFTER)
    for run in lost.order_by("heartbeat_at", "id"):
        if run.cancel_requested:
            cancelled += end(run, JobState.CANCELLED, at=now)
        elif run.attempts >= MOST_ATTEMPTS:
            words = f"The process that did it was lost {run.attempts} times."
            given_up += end(run, JobState.FAILED, at=now, error=words)
        else:
            queued_again += put_back(run, error="The process that did it was lost.")
    unheard = JobRun.objects.filter(
        Q(rung_at__isnull=True) | Q(rung_at__lt=now - RING_AGAIN_AFTER), state=JobState.QUEUED
    )
    rung = sum(ring(pk) for pk in unheard.order_by("created_at", "id").values_list("pk", flat=True))
    return Swept(queued_again=queued_again, given_up=given_up, cancelled=cancelled, rung=rung)


@transaction.atomic
def put_back(run: JobRun, *, error: str) -> bool:
    """Queues a running job again, if `run` still holds the claim it was read with."""
    if _if_claimed(run).update(state=JobState.QUEUED, claim=None, rung_at=None, error=error) != 1:
        return False
    _audit("job_queued_again", run, reason=error)
    return True


@transaction.atomic
def end(
    run: JobRun, state: JobState, *, at: datetime, error: str = "", flag: bool = True, **fields: Any
) -> bool:
    """Ends a running job, if `run` still holds its claim. A failure opens a flag; success closes those there are.

    Args:
        flag: False for a failure that the person who asked can mend, like a file that cannot be read.
    """
    fields |= {"state": state, "finished_at": at, "heartbeat_at": at, "error": error}
    if _if_claimed(run).update(**fields) != 1:
        return False
    _audit(f"job_{state}", run, reason=error)
    if state == JobState.FAILED and flag:
        _open_flag(run, at=at, error=error)
    if state == JobState.DONE:
        for waiting in _open_flags(run):
            attention.close_flag(waiting, by=None, words="A later run succeeded.", at=at, source="job")
    return True


def _if_claimed(run: JobRun) -> Any:
    return JobRun.objects.filter(pk=run.pk, state=JobState.RUNNING, claim=run.claim)


def _queue_afresh(run: JobRun, asked: dict[str, Any]) -> bool:
    return move(
        JobRun,
        run.pk,
        frm=FINISHED,
        to=JobState.QUEUED,
        **asked,
        attempts=0,
        claim=None,
        claimed_at=None,
        rung_at=None,
        heartbeat_at=None,
        finished_at=None,
        cancel_requested=False,
        progress_done=0,
        progress_total=0,
        progress_words="",
        result=None,
        error="",
    )


def _open_flags(run: JobRun) -> Any:
    return Flag.objects.filter(
        kind=FlagKind.JOB_FAILED, subject_id=str(run.pk), state__in=attention.NOT_CLOSED
    )


def _open_flag(run: JobRun, *, at: datetime, error: str) -> None:
    if _open_flags(run).exists():
        return
    attention.open_flag(
        kind=FlagKind.JOB_FAILED,
        key=f"job-failed:{run.pk}:{run.claim}",
        owner=run.requested_by,
        decides="department lead",
        subject=run,
        words=f"{handler(run.kind).title} ({run.key}) failed. {error}",
        due_at=at,
        source="job",
    )


def _audit(action: str, run: JobRun, *, by: Person | None = None, reason: str = "") -> None:
    audit.record(action=action, by=by, subject=run, reason=reason, source="web" if by else "job")
