"""The reports: the list, a report on the screen, and on paper."""

from typing import Any

from django.utils import timezone

from clinic.staff.roles import Role
from tests.browser.seen import Seen, open_everything
from therapy.models import StoredReport
from therapy.reports import services


def latest_report() -> dict[str, Any]:
    """The last weekly report; in a clinic without one, that of last week is built."""
    if not StoredReport.objects.exists():
        now = timezone.now()
        services.build_weekly(services.current_week(now).shifted(-1), as_of=now, by=None)
    return {"report_id": StoredReport.objects.latest("data_as_of", "pk").pk}


PAGES = [
    Seen("reports", Role.MANAGER),
    Seen("report", Role.MANAGER, latest_report, ready=open_everything),
]
PDFS = [Seen("report-pdf", Role.MANAGER, latest_report)]
NOT_PAGES = {"report-build"}
