"""The jobs of therapy: each a thin call into its part, run through the job ledger."""

from datetime import datetime
from typing import Any

from django.utils import timezone

from clinic.formats import count
from clinic.jobs.registry import handles
from clinic.jobs.running import Running
from therapy.scheduling import window_services


def quarter_hour(at: datetime) -> str:
    """The key of a job that is due each quarter of an hour."""
    local = timezone.localtime(at)
    # With the offset, so that the hour that comes twice in autumn has keys of its own.
    return local.replace(minute=local.minute // 15 * 15, second=0, microsecond=0).isoformat(
        timespec="minutes"
    )


def day(at: datetime) -> str:
    """The key of a job that is due once a day."""
    return timezone.localdate(at).isoformat()


@handles("close-due-windows", title="Close due windows", slot=quarter_hour)
def close_due_windows(running: Running) -> dict[str, Any]:
    """Close the windows whose time is over."""
    closed = window_services.close_windows(timezone.now())
    return {"closed": closed, "words": f"{count(closed, 'due window')} closed"}


@handles("top-up-due-windows", title="Top up due windows", slot=day)
def top_up_due_windows(running: Running) -> dict[str, Any]:
    """Make the windows of the next fortnight."""
    made = window_services.top_up_windows(timezone.now())
    return {"made": made, "words": f"{count(made, 'due window')} made"}
