"""Does one job: claims it, keeps its heartbeat, runs its handler, and publishes only while the claim holds."""

import logging
import threading
import time
import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any
from uuid import UUID, uuid4

from django.db import DatabaseError, connection, transaction
from django.db.models import F
from django.utils import timezone

from clinic.audit import services as audit
from clinic.jobs import services
from clinic.jobs.models import JobRun, JobState
from clinic.jobs.registry import handler
from clinic.records import Refused, move
from clinic.request_context import working_on
from clinic.staff.models import Person

logger = logging.getLogger("clinic.jobs")

HEARTBEAT_S = 10.0
PROGRESS_EVERY = timedelta(seconds=0.5)


class ClaimLost(Exception):
    """The job was given to somebody else meanwhile: stop, and publish nothing."""


class Cancelled(Exception):
    """A person asked the job to stop."""


@dataclass
class Published:
    """What the handler stores with its result; set inside `publishing`."""

    result: dict[str, Any] | None = None
    input_hash: str = ""


@dataclass
class Running:
    """A job in the hands of the process that claimed it."""

    run: JobRun
    published: bool = field(default=False, init=False)
    _told_at: float = field(default=float("-inf"), init=False)
    _told_words: str = field(default="", init=False)

    @property
    def key(self) -> str:
        """What makes this job one of its kind, like the week of a report."""
        return self.run.key

    @property
    def arguments(self) -> Mapping[str, Any]:
        """What was given when it was queued."""
        arguments: Mapping[str, Any] = self.run.arguments
        return arguments

    @property
    def requested_by(self) -> Person | None:
        """Who asked for it; None for the clock."""
        return self.run.requested_by

    def progress(self, done: int, total: int = 0, words: str = "") -> None:
        """Tells how far the work is; call it often: it writes twice a second, at new words, and at the end.

        Never call it inside a transaction of the handler's own: nobody would see it.
        Raises: Cancelled where a person asked to stop; ClaimLost where the job was given to somebody else.
        """
        is_news = words != self._told_words or 0 < total <= done
        if not is_news and time.monotonic() - self._told_at < PROGRESS_EVERY.total_seconds():
            return
        self._told_at, self._told_words = time.monotonic(), words
        held = self._claimed().update(
            progress_done=done, progress_total=total, progress_words=words[:200], heartbeat_at=timezone.now()
        )
        if held != 1:
            raise ClaimLost
        if self._claimed().filter(cancel_requested=True).exists():
            raise Cancelled

    @contextmanager
    def publishing(self) -> Iterator[Published]:
        """One transaction in which the handler stores its result and the job is done: both, or neither.

        The claim is checked by a write at its start, which also locks the row, so that a sweep cannot give the
        job away before the commit. Raises: ClaimLost where it had been given away.
        """
        published = Published()
        with transaction.atomic():
            if self._claimed().update(heartbeat_at=timezone.now()) != 1:
                raise ClaimLost
            yield published
            if not services.end(
                self.run,
                JobState.DONE,
                at=timezone.now(),
                result=published.result,
                input_hash=published.input_hash,
                progress_done=F("progress_total"),
            ):
                raise ClaimLost
        self.published = True

    def _claimed(self) -> Any:
        return JobRun.objects.filter(pk=self.run.pk, state=JobState.RUNNING, claim=self.run.claim)


def claim(run_id: UUID) -> Running | None:
    """Takes a queued job; None where it is not there to be taken."""
    now = timezone.now()
    with transaction.atomic():
        if not move(
            JobRun,
            run_id,
            frm=(JobState.QUEUED,),
            to=JobState.RUNNING,
            claim=uuid4(),
            claimed_at=now,
            heartbeat_at=now,
            attempts=F("attempts") + 1,
            progress_done=0,
            progress_total=0,
            progress_words="",
        ):
            return None
        run = JobRun.objects.select_related("requested_by").get(pk=run_id)
        audit.record(action="job_started", by=None, subject=run, source="job")
    return Running(run)


def run_job(run_id: UUID) -> bool:
    """Claims and does one job. False where somebody else has it or it has ended."""
    with working_on(f"job-{run_id}"):
        running = claim(run_id)
        if running is None:
            return False
        with _heartbeat(running.run):
            _do(running)
        return True


def _do(running: Running) -> None:
    run = running.run
    try:
        result = handler(run.kind).work(running)
        if not running.published:
            with running.publishing() as published:
                published.result = result
    except ClaimLost:
        logger.warning("the job was given to somebody else; nothing is published")
    except Cancelled:
        services.end(run, JobState.CANCELLED, at=timezone.now())
    except Refused as refusal:
        services.end(run, JobState.FAILED, at=timezone.now(), error=refusal.message, flag=False)
    except Exception as error:
        # A job may fail in any way; the ledger keeps where, never the message, which may quote a record.
        logger.exception("the job failed")
        _failed(run, _place_of(error))


def _failed(run: JobRun, place: str) -> None:
    if run.attempts < services.MOST_ATTEMPTS:
        services.put_back(run, error=place)
    else:
        services.end(run, JobState.FAILED, at=timezone.now(), error=place)


def _place_of(error: BaseException) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    where = f" at {frames[-1].name}, line {frames[-1].lineno}" if frames else ""
    return f"{type(error).__qualname__}{where}."


@contextmanager
def _heartbeat(run: JobRun) -> Iterator[None]:
    """Says every ten seconds that this process still has the job, from a thread with its own connection."""
    stop = threading.Event()

    def beat() -> None:
        while not stop.wait(HEARTBEAT_S):
            try:
                JobRun.objects.filter(pk=run.pk, state=JobState.RUNNING, claim=run.claim).update(
                    heartbeat_at=timezone.now()
                )
            except DatabaseError:
                logger.warning("a heartbeat could not be written; the next one is tried", exc_info=True)
            finally:
                connection.close()

    thread = threading.Thread(target=beat, name="job-heartbeat", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(timeout=HEARTBEAT_S)
