"""Asks for the weekly caseload report, builds it, and keeps each revision as it was made."""

import hashlib
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Min
from django.utils import timezone

from clinic import printing
from clinic.access import require
from clinic.audit import services as audit
from clinic.calendar import Week
from clinic.jobs import services as jobs
from clinic.models import JobRun, Person
from clinic.records import Refused
from clinic.staff.roles import Role
from therapy.outcomes.selectors import clinic_zone
from therapy.reports import weekly
from therapy.reports.drawing import drawn, last_day
from therapy.reports.models import StoredReport
from therapy.scheduling.models import DueWindow
from therapy.sessions.models import TreatmentSession

KIND = "weekly-report"
EARLIEST_WEEKS_BACK = 26


@dataclass(frozen=True)
class Built:
    """What a build left behind: the report in force, and whether this build made it."""

    report: StoredReport
    made: bool


def ask_for(week: Week, *, by: Person, now: datetime) -> JobRun:
    """Queue the report of a week; a week that has a report is looked at again.

    Raises: NotPermitted unless lead or manager; Refused for a week to come or one too long ago.
    """
    require(by, Role.LEAD, Role.MANAGER)
    this_week = current_week(now)
    if not this_week.shifted(-EARLIEST_WEEKS_BACK) <= week <= this_week:
        raise Refused("week", f"Choose this week or one of the {EARLIEST_WEEKS_BACK} weeks before it.")
    arguments = {"as_of": now.isoformat()}
    return jobs.enqueue(KIND, str(week), by=by, arguments=arguments, again=True)


def queue_due(now: datetime) -> list[JobRun]:
    """Queue the report of each week that is due; a week whose run waits or is at work is left as it is.

    A run that has ended is queued again: one that a person asked for during the week, or one that failed, leaves
    its week due. Each takes the data as of now, not as of when its row in the ledger was first made.
    """
    arguments = {"as_of": now.isoformat()}
    return [
        jobs.enqueue(KIND, str(week), by=None, arguments=arguments, again=True) for week in weeks_due(now)
    ]


def weeks_due(now: datetime) -> list[Week]:
    """The weeks that are over and whose newest report is missing or was made before their end, oldest first.

    Looked at are the last full week, and those before it back to the first treatment or due window, at most
    EARLIEST_WEEKS_BACK. Three queries.
    """
    zone = clinic_zone()
    this_week = current_week(now, zone)
    weeks = [this_week.shifted(-back) for back in range(EARLIEST_WEEKS_BACK, 0, -1)]
    begun = min([this_week.shifted(-1), *map(Week.of, _first_days())])
    made: dict[str, datetime] = dict(
        StoredReport.objects.filter(kind=KIND, period__in=[str(week) for week in weeks])
        .order_by("period", "revision", "id")
        .values_list("period", "data_as_of")
    )
    return [
        week
        for week in weeks
        if week >= begun and (str(week) not in made or made[str(week)] < week.bounds(zone)[1])
    ]


def _first_days() -> list[date]:
    """The date of the first treatment and of the first due window, where there are any."""
    treatments = TreatmentSession.objects.filter(entered_in_error=False)
    firsts = [rows.aggregate(first=Min("service_date"))["first"] for rows in (treatments, DueWindow.objects)]
    return [first for first in firsts if first is not None]


def current_week(now: datetime, zone: ZoneInfo | None = None) -> Week:
    """The ISO week of a local date."""
    return Week.of(now.astimezone(zone or clinic_zone()).date())


def build_weekly(
    week: Week,
    *,
    as_of: datetime,
    by: Person | None,
    progress: weekly.Progress | None = None,
    publishing: Callable[[], AbstractContextManager[Any]] = nullcontext,
) -> Built:
    """Build the report of a week, and keep it as a new revision where its figures differ from the last one.

    Reading and drawing take place outside any transaction; `publishing` is the job's own, which checks that the
    claim still holds before anything is stored.
    """
    tell = progress or (lambda *_: None)
    values = weekly.collect(week, as_of=as_of, progress=progress)
    digest = weekly.input_hash(values)
    earlier = latest(week)
    if earlier is not None and earlier.input_hash == digest:
        with publishing() as published:
            _tell_job(published, earlier, digest, made=False)
        return Built(earlier, made=False)
    pdf = draw_pdf(values, as_of=as_of, earlier=earlier)
    tell(len(weekly.STEPS), len(weekly.STEPS), "Done")
    with publishing() as published:
        report = _keep(values, pdf, week=week, as_of=as_of, digest=digest, by=by, earlier=earlier)
        _tell_job(published, report, digest, made=True)
    return Built(report, made=True)


def draw_pdf(values: weekly.Values, *, as_of: datetime, earlier: StoredReport | None) -> bytes:
    """The pages of a report: the same values, revision and time give the same bytes."""
    changed = [] if earlier is None else weekly.changed_figures(values, earlier.figures)
    context = {
        "drawn": drawn(values, changed, earlier.figures if earlier else None),
        "revision": 1 if earlier is None else earlier.revision + 1,
        "earlier": earlier,
        "as_of": as_of,
        "printed_at": as_of,
        "out_of_date_after": out_of_date_after(values, as_of),
    }
    return printing.pdf("reports/weekly_pdf.html", context)


def out_of_date_after(values: weekly.Values, as_of: datetime) -> Any:
    """Late entries are usual for a week: a full week is good for another one, an unfinished one for that day."""
    if values["complete"]:
        return Week.of(last_day(values)).shifted(1).last_day
    return as_of.astimezone(clinic_zone()).date()


def latest(week: Week) -> StoredReport | None:
    """The revision in force of a week's report."""
    return StoredReport.objects.filter(kind=KIND, period=str(week)).order_by("-revision").first()


@transaction.atomic
def _keep(
    values: weekly.Values,
    pdf: bytes,
    *,
    week: Week,
    as_of: datetime,
    digest: str,
    by: Person | None,
    earlier: StoredReport | None,
) -> StoredReport:
    report = StoredReport.objects.create(
        kind=KIND,
        period=str(week),
        first_day=week.first_day,
        last_day=week.last_day,
        revision=1 if earlier is None else earlier.revision + 1,
        data_as_of=as_of,
        input_hash=digest,
        figures=values,
        pdf=pdf,
        pdf_sha256=hashlib.sha256(pdf).hexdigest(),
        made_by=by,
        made_at=timezone.now(),
    )
    audit.record(action="report made", by=by, subject=report, source="job")
    return report


def _tell_job(published: Any, report: StoredReport, digest: str, *, made: bool) -> None:
    """What the job's progress page says at its end; nothing where the build was not a job's."""
    if published is None:
        return
    words = (
        f"Revision {report.revision} of {report.period} is stored."
        if made
        else f"Nothing has changed since revision {report.revision} of {report.period}."
    )
    published.result = {
        "report": str(report.pk),
        "revision": report.revision,
        "made": made,
        "words": words,
        "link": f"/reports/{report.pk}/",
        "link_words": "Open the report",
    }
    published.input_hash = digest
