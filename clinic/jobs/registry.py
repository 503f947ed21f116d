"""Which function does which kind of job; therapy/tasks.py and others register theirs with `@handles`."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from django.utils.module_loading import autodiscover_modules

if TYPE_CHECKING:
    from clinic.jobs.models import JobRun
    from clinic.jobs.running import Running

Work = Callable[["Running"], dict[str, Any] | None]
Slot = Callable[[datetime], str]
QueueDue = Callable[[datetime], Sequence["JobRun"]]


class UnknownKindError(LookupError):
    """No function handles this kind of job."""


@dataclass(frozen=True)
class Handler:
    """One kind of job: the words for it, the work, and for a scheduled one which runs are due at a given time."""

    kind: str
    title: str
    work: Work
    slot: Slot | None = None
    queue_due: QueueDue | None = None


_handlers: dict[str, Handler] = {}


def handles(
    kind: str, *, title: str, slot: Slot | None = None, queue_due: QueueDue | None = None
) -> Callable[[Work], Work]:
    """Registers a function as the work of `kind`.

    The function gets a `Running`. It tells `running.progress(done, total, words)` as it goes, and either writes
    its result inside `with running.publishing() as published:` or returns the result to be kept, or None.
    A result is a small dict; `link` (an address in the app) and `words` are shown on the progress page.

    Args:
        kind: The name kept in JobRun, like "weekly-report".
        title: The words on the progress page.
        slot: For jobs that beat starts: the key of the run that is due at a time. Two times with the same key
            are one run.
        queue_due: For jobs that beat starts and whose runs are read from the records instead: queues each run
            that is due at a time and returns them; called twice it must change nothing.
    """

    def register(work: Work) -> Work:
        _handlers[kind] = Handler(kind=kind, title=title, work=work, slot=slot, queue_due=queue_due)
        return work

    return register


def handler(kind: str) -> Handler:
    """The handler of `kind`; raises UnknownKindError naming those there are."""
    if kind not in _handlers:
        # The tasks module of each app registers its kinds; so does the process that asks first.
        autodiscover_modules("tasks")
    try:
        return _handlers[kind]
    except KeyError:
        raise UnknownKindError(
            f"No job of kind {kind!r}; there are {', '.join(sorted(_handlers))}."
        ) from None
