"""The pages of the weekly caseload report: the list, one report, its PDF, and building one."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from clinic.access import Role, allow
from clinic.audit import services as audit
from clinic.forms import refuse, respond_invalid
from clinic.paging import page
from clinic.records import Refused
from therapy.reports import selectors, services
from therapy.reports.forms import WeekForm

LIST, REPORT = "reports/list.html", "reports/report.html"


def _list(request: HttpRequest, form: WeekForm | None = None) -> dict[str, object]:
    this_week = services.current_week(timezone.now())
    rows = selectors.reports_visible_to(request.user)  # type: ignore[arg-type]  # allow() lets only a Person through
    return {
        "page": page(rows, request.GET, order=("-first_day", "-revision", "-id"), size=20),
        "this_week": this_week,
        "form": form or WeekForm(this_week=this_week),
    }


@allow(Role.LEAD, Role.MANAGER)
@require_GET
def reports(request: HttpRequest) -> HttpResponse:
    """Every stored report, newest first, and the way to build one."""
    return render(request, LIST, _list(request))


@allow(Role.LEAD, Role.MANAGER)
@require_POST
def build(request: HttpRequest) -> HttpResponse:
    """Ask for the report of a week, and show how far it is."""
    now = timezone.now()
    form = WeekForm(request.POST, this_week=services.current_week(now))
    if form.is_valid():
        try:
            run = services.ask_for(form.cleaned_data["week"], by=request.user, now=now)  # type: ignore[arg-type]  # as above
            return redirect("job", run_id=run.pk)
        except Refused as refused:
            refuse(form, refused)
    return respond_invalid(request, LIST, _list(request, form))


@allow(Role.LEAD, Role.MANAGER)
@require_GET
def report(request: HttpRequest, report_id: UUID) -> HttpResponse:
    """One report as a page, drawn from the same values as its PDF."""
    shown = selectors.shown(request.user, report_id)  # type: ignore[arg-type]  # as above
    return render(request, REPORT, {"shown": shown, "report": shown.report, "drawn": shown.drawn})


@allow(Role.LEAD, Role.MANAGER)
@require_GET
def report_pdf(request: HttpRequest, report_id: UUID) -> HttpResponse:
    """The PDF as it was made."""
    found = selectors.report(request.user, report_id)  # type: ignore[arg-type]  # as above
    audit.record(action="report downloaded", by=request.user, subject=found)  # type: ignore[arg-type]  # as above
    response = HttpResponse(bytes(found.pdf), content_type="application/pdf")
    name = f"weekly-caseload-{found.period}-revision-{found.revision}.pdf"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
