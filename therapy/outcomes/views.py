"""Pages of figures: the outcomes of one patient, and the lists behind the figures of a week."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from clinic.access import Role, allow
from clinic.audit import services as audit
from clinic.calendar import Week
from clinic.patients import selectors as patients
from therapy.outcomes import list_selectors, patient_page
from therapy.sessions.rules import GROUP_WORDS


def _week(name: str) -> Week:
    try:
        return Week.parse(name)
    except ValueError as error:
        raise Http404 from error


@allow(Role.LEAD, Role.THERAPIST)
@require_GET
def patient(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """What treatment was followed by, for one patient."""
    found = patients.patient(request.user, patient_id)  # type: ignore[arg-type]  # allow() lets only a Person through
    audit.read(by=request.user, patient=found, page="patient-outcomes")  # type: ignore[arg-type]  # as above
    about = {"patient": found, "banner": patients.banner(found)}
    return render(request, "outcomes/patient.html", about | patient_page.context(found))


@allow(Role.LEAD, Role.MANAGER)
@require_GET
def delivered(request: HttpRequest, week: str) -> HttpResponse:
    """The patients behind the treatments delivered in a week, by number."""
    chosen = list_selectors.Chosen.of(request.GET)
    now = timezone.now()
    found = list_selectors.delivered_list(request.user, _week(week), now=now, chosen=chosen)  # type: ignore[arg-type]  # as above
    audit.record(action="list read", by=request.user, subject=request.path)  # type: ignore[arg-type]  # as above
    return render(request, "outcomes/delivered_list.html", {"list": found, "counted_at": now})


@allow(Role.LEAD, Role.MANAGER)
@require_GET
def not_given(request: HttpRequest, week: str) -> HttpResponse:
    """Each treatment of a week that was not given, by patient number."""
    chosen = list_selectors.Chosen.of(request.GET)
    now = timezone.now()
    found = list_selectors.not_given_list(request.user, _week(week), now=now, chosen=chosen)  # type: ignore[arg-type]  # as above
    audit.record(action="list read", by=request.user, subject=request.path)  # type: ignore[arg-type]  # as above
    context = {"list": found, "counted_at": now, "groups": GROUP_WORDS}
    return render(request, "outcomes/not_given_list.html", context)
