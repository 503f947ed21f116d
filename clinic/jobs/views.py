"""The progress page of a job."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from clinic.access import EVERYONE, allow
from clinic.jobs import selectors, services
from clinic.jobs.registry import handler


def _shown(request: HttpRequest, run_id: UUID) -> dict[str, Any]:
    run = selectors.job(request.user, run_id)  # type: ignore[arg-type]  # allow() lets only a Person through
    if run is None:
        raise Http404
    return {
        "run": run,
        "title": handler(run.kind).title,
        "ended": run.state in services.FINISHED,
        "result": run.result or {},
    }


@allow(*EVERYONE)
@require_GET
def job_page(request: HttpRequest, run_id: UUID) -> HttpResponse:
    return render(request, "jobs/job.html", _shown(request, run_id))


@allow(*EVERYONE)
@require_GET
def job_state(request: HttpRequest, run_id: UUID) -> HttpResponse:
    """The part of the page that htmx asks for each second until the job has ended."""
    return render(request, "jobs/state.html", _shown(request, run_id))


@allow(*EVERYONE)
@require_POST
def cancel_job(request: HttpRequest, run_id: UUID) -> HttpResponse:
    run = _shown(request, run_id)["run"]
    if services.cancel(run.pk, by=request.user):  # type: ignore[arg-type]  # as above
        messages.success(request, "The job is cancelled, or stops at its next step.")
    else:
        messages.warning(request, "The job had already ended.")
    return redirect("job", run_id=run.pk)
