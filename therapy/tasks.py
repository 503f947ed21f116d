"""The jobs of therapy: each a thin call into its part, run through the job ledger."""

from datetime import datetime
from typing import Any

from django.utils import timezone

from clinic.calendar import Week
from clinic.formats import count
from clinic.jobs.registry import handles
from clinic.jobs.running import Running
from screening import hold_services, moves
from screening.lifts import services as lifts
from screening.policy import services as policies
from therapy.reassessment import services as reassessments
from therapy.reports import services as reports
from therapy.scheduling import window_services


def quarter_hour(at: datetime) -> str:
    """The key of a job that is due each quarter of an hour."""
    return _slot(at, 15)


def five_minutes(at: datetime) -> str:
    """The key of a job that is due every five minutes."""
    return _slot(at, 5)


def _slot(at: datetime, every_minutes: int) -> str:
    local = timezone.localtime(at)
    minute = local.minute // every_minutes * every_minutes
    # With the offset, so that the hour that comes twice in autumn has keys of its own.
    return local.replace(minute=minute, second=0, microsecond=0).isoformat(timespec="minutes")


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


@handles("tell-holds", title="Tell of holds", slot=quarter_hour)
def tell_holds(running: Running) -> dict[str, Any]:
    """Open a flag where an ordered technique began to hold by time alone, as when a decision ran out."""
    now = timezone.now()
    policies.flag_reviews(now=now)
    opened = hold_services.tell_all_holds(at=now) + moves.open_missing()
    lifts.close_run_out(at=now)
    return {"opened": opened, "words": f"{count(opened, 'flag')} opened"}


@handles("tell-overdue", title="Tell once more of what is overdue", slot=five_minutes)
def tell_overdue(running: Running) -> dict[str, Any]:
    """Tell once more of decisions and of checks after a stop whose time has run out."""
    told = hold_services.tell_overdue(at=timezone.now())
    return {"told": told, "words": f"{count(told, 'flag')} told of again"}


@handles(reassessments.FLAG_JOB, title="Flag overdue reassessments", slot=quarter_hour)
def flag_overdue_reassessments(running: Running) -> dict[str, Any]:
    """Open a flag for each overdue reassessment, and close those that have become void."""
    done = reassessments.open_overdue_flags(now=timezone.now(), progress=running.progress)
    return {
        "opened": done.opened,
        "closed": done.closed,
        "words": f"{count(done.opened, 'flag')} opened, {done.closed:,} closed",
        "link": "/reassessment/due/",
        "link_words": "Open the list",
    }


@handles(reports.KIND, title="Weekly caseload report", queue_due=reports.queue_due)
def weekly_report(running: Running) -> None:
    """Build the report of the week in the key, for the data as of when it was asked for."""
    reports.build_weekly(
        Week.parse(running.key),
        as_of=datetime.fromisoformat(running.arguments["as_of"]),
        by=running.requested_by,
        progress=running.progress,
        publishing=running.publishing,
    )
