"""Lets worker and beat say every ten seconds, in the database, that they are alive."""

import logging
import threading
import time
from typing import Any

from celery.beat import PersistentScheduler
from django.db import DatabaseError, connection
from django.utils import timezone

from clinic.jobs.models import ProcessHeartbeat

logger = logging.getLogger("clinic.jobs")

EVERY_S = 10.0
_stop = threading.Event()


def note_alive(name: str) -> None:
    """Writes the heartbeat of one process; a database that is away must not end the process."""
    try:
        ProcessHeartbeat.objects.update_or_create(name=name, defaults={"at": timezone.now()})
    except DatabaseError:
        logger.warning("the heartbeat of this process could not be written", exc_info=True)
    finally:
        connection.close()


def start_heartbeat(name: str) -> None:
    """Beats at once and then every ten seconds from a thread of its own, until `stop_heartbeat`."""

    def beat() -> None:
        note_alive(name)
        while not _stop.wait(EVERY_S):
            note_alive(name)

    _stop.clear()
    threading.Thread(target=beat, name="process-heartbeat", daemon=True).start()


def stop_heartbeat() -> None:
    """Ends the thread of `start_heartbeat`."""
    _stop.set()


class BeatingScheduler(PersistentScheduler):
    """Beats from the very loop that rings, so that a heartbeat shows that it still turns."""

    _beaten_at = float("-inf")

    def tick(self, *args: Any, **kwargs: Any) -> float:
        if time.monotonic() - self._beaten_at >= EVERY_S:
            self._beaten_at = time.monotonic()
            note_alive("beat")
        wait: float = super().tick(*args, **kwargs)
        return min(wait, EVERY_S)
