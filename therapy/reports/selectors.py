"""Reads stored reports for the list, the page and the download."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from clinic.access import require
from clinic.models import Person
from clinic.staff.roles import Role
from therapy.reports import weekly
from therapy.reports.drawing import Drawn, drawn
from therapy.reports.models import StoredReport
from therapy.reports.services import KIND

READERS = (Role.LEAD, Role.MANAGER)


@dataclass(frozen=True)
class Shown:
    """A stored report drawn again from its values, with its other revisions."""

    report: StoredReport
    drawn: Drawn
    earlier: StoredReport | None
    newest: StoredReport
    revisions: list[StoredReport]


def reports_visible_to(person: Person) -> QuerySet[StoredReport]:
    """Every stored weekly report, newest week and revision first, without the weight of its PDF."""
    require(person, *READERS)
    rows = StoredReport.objects.filter(kind=KIND).defer("pdf", "figures").select_related("made_by")
    return rows.order_by("-first_day", "-revision", "-id")


def report(person: Person, report_id: UUID) -> StoredReport:
    """One report with its PDF. Raises: Http404 where there is none of this id."""
    require(person, *READERS)
    found = StoredReport.objects.filter(kind=KIND, pk=report_id).first()
    if found is None:
        raise Http404
    return found


def shown(person: Person, report_id: UUID) -> Shown:
    """A report as its page shows it."""
    require(person, *READERS)
    rows = StoredReport.objects.filter(kind=KIND).defer("pdf").select_related("made_by")
    found = rows.filter(pk=report_id).first()
    if found is None:
        raise Http404
    revisions = list(rows.filter(period=found.period).order_by("-revision", "-id"))
    earlier = next((row for row in revisions if row.revision == found.revision - 1), None)
    values: dict[str, Any] = found.figures
    changed = weekly.changed_figures(values, earlier.figures) if earlier else []
    return Shown(
        report=found,
        drawn=drawn(values, changed, earlier.figures if earlier else None),
        earlier=earlier,
        newest=revisions[0],
        revisions=revisions,
    )


def newest_report(person: Person) -> StoredReport | None:
    """The latest revision of the latest week, for the home pages."""
    return reports_visible_to(person).first()
