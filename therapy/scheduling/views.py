"""The day schedule by hand: one page per day, one to give a window, one to move or take back a visit."""

from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from clinic import formats
from clinic.access import Role, allow
from clinic.audit import services as audit
from clinic.forms import ClinicForm, refuse, respond_invalid
from clinic.patients import selectors as patients
from clinic.records import Refused
from therapy.orders.selectors import changed_to, dose_in_short, technique_words
from therapy.scheduling import selectors, services
from therapy.scheduling.board import board_of
from therapy.scheduling.forms import DayForm, GiveForm, MoveForm, TakeBackForm, day_asked_for
from therapy.scheduling.models import DueWindow, ScheduledVisit, VisitState
from therapy.scheduling.suggesting import suggest


@allow(Role.LEAD)
@require_GET
def day(request: HttpRequest) -> HttpResponse:
    """Therapists' days, and what nobody has yet."""
    shown = day_asked_for(request.GET)
    asked = DayForm(request.GET if "other_day" in request.GET else None)
    if asked.is_valid():
        return redirect(_address(asked.cleaned_data["other"]))
    audit.read(by=request.user, patient=None, page="day-schedule")
    today = timezone.localdate()
    context = {
        "board": board_of(request.user, shown, timezone.now()),
        "before": shown - timedelta(days=1),
        "after": shown + timedelta(days=1),
        "today": None if shown == today else today,
        "form": asked,
        "therapists": selectors.active_therapists().values(),
    }
    if asked.is_bound:
        return respond_invalid(request, "scheduling/day.html", context)
    return render(request, "scheduling/day.html", context)


@allow(Role.LEAD)
def give(request: HttpRequest, window_id: UUID) -> HttpResponse:
    """Give one window to a therapist at a time."""
    window = selectors.visible_window(request.user, window_id)
    taken = selectors.visit_of(window)
    if taken is not None:
        messages.info(request, f"This treatment has a visit already, at {formats.time(taken.start)}.")
        return redirect("visit", visit_id=taken.pk)
    # Several of these forms may stand on the day page at once: each has ids of its own.
    auto_id = f"give-{window.pk.hex[-12:]}-%s"
    form = GiveForm(_data(request), day=window.service_date, initial=_suggested(window), auto_id=auto_id)
    context = _about(window) | {"form": form, "held": selectors.holds_of([window]).get(window.pk, "")}
    if request.method != "POST":
        audit.read(by=request.user, patient=window.patient, page="give-window")
        return render(request, "scheduling/give.html", context)
    given = form.is_valid() and _taken(form, lambda: _give(request, window, form))
    if not given:
        return respond_invalid(request, "scheduling/give.html", context)
    return _said(request, window.service_date, given, "Given")


@allow(Role.LEAD)
def visit(request: HttpRequest, visit_id: UUID) -> HttpResponse:
    """Move a visit or take it off the schedule."""
    found = selectors.visible_visit(request.user, visit_id)
    taking = request.POST.get("step") == "take-back"
    data = _data(request)
    form = MoveForm(None if taking else data, day=found.service_date, initial=_as_it_stands(found))
    back = TakeBackForm(data if taking else None)
    about = _about(found.window) if found.window else {}
    context = about | {
        "banner": patients.banner(found.patient),
        "visit": found,
        "form": form,
        "back": back,
        "may_change": found.state == VisitState.SCHEDULED,
    }
    if request.method != "POST":
        audit.read(by=request.user, patient=found.patient, page="visit")
        return render(request, "scheduling/visit.html", context)
    used, act = (back, _take_back) if taking else (form, _move)
    done = used.is_valid() and _taken(used, lambda: act(request, found, used))
    if not done:
        return respond_invalid(request, "scheduling/visit.html", context)
    return _said(request, found.service_date, done, "Taken off the schedule" if taking else "Moved")


@allow(Role.LEAD)
@require_POST
def give_in_order(request: HttpRequest) -> HttpResponse:
    """Give a therapist all free windows of their own or another's patients, in order."""
    shown = day_asked_for(request.POST)
    people = selectors.active_therapists()
    therapist, patients_of = (
        people.get(_number(request.POST.get("therapist"))),
        request.POST.get("patients_of"),
    )
    if therapist is None or (patients_of and _number(patients_of) not in people):
        raise Http404
    given = services.give_in_order(
        by=request.user,
        therapist=therapist,
        patients_of=people[_number(patients_of)] if patients_of else None,
        service_date=shown,
    )
    words = f"{formats.count(len(given.visits), 'visit')} given to {therapist}."
    if given.left:
        # Counted without names: what is said here is kept in the session.
        reasons = Counter(left.reason if left.reason.startswith("no ") else "on hold" for left in given.left)
        counted = ", ".join(f"{number} {reason}" for reason, number in reasons.most_common())
        messages.warning(request, f"{words} Left out: {counted}.")
    else:
        messages.success(request, words)
    return redirect(_address(shown))


def _give(request: HttpRequest, window: DueWindow, form: GiveForm) -> services.Given:
    return services.give(
        by=request.user,  # type: ignore[arg-type]  # allow() lets only a Person through
        window=window,
        therapists=form.therapists,
        start=form.start_at(window.earliest, window.latest),
        minutes=form.cleaned_data["minutes"],
    )


def _move(request: HttpRequest, found: ScheduledVisit, form: Any) -> services.Given:
    window = found.window
    return services.move(
        by=request.user,  # type: ignore[arg-type]  # as above
        visit=found,
        therapists=form.therapists,
        start=form.start_at(window.earliest, window.latest) if window else form.start_at(None, None),
        reason=form.cleaned_data["reason"],
    )


def _take_back(request: HttpRequest, found: ScheduledVisit, form: Any) -> bool:
    services.take_back(by=request.user, visit=found, reason=form.cleaned_data["why"])  # type: ignore[arg-type]  # as above
    return True


def _taken(form: ClinicForm, act: Callable[[], Any]) -> Any:
    """What a service gives, or None with its refusal put on the form."""
    try:
        return act()
    except Refused as refused:
        refuse(form, refused)
        return None


def _said(request: HttpRequest, shown: date, done: Any, words: str) -> HttpResponse:
    warnings = done.warnings if isinstance(done, services.Given) else ()
    if warnings:
        messages.warning(request, f"{words}. {' '.join(warnings)}")
    else:
        messages.success(request, f"{words}.")
    return redirect(_address(shown))


def _address(shown: date) -> str:
    return f"{reverse('day-schedule')}?date={shown.isoformat()}"


def _about(window: DueWindow) -> dict[str, Any]:
    return {
        "window": window,
        "banner": patients.banner(window.patient),
        "technique_words": technique_words(window.technique),
        "dose": dose_in_short(changed_to([window.order])[window.order_id]),
        "due": selectors.due_in_words(window),
        "shown": window.service_date,
    }


def _suggested(window: DueWindow) -> dict[str, Any]:
    found = suggest(window, timezone.now())
    return {
        "therapist": found.therapist.pk if found.therapist else "",
        "start": timezone.localtime(found.start).time() if found.start else None,
        "minutes": window.minutes,
    }


def _as_it_stands(found: ScheduledVisit) -> dict[str, Any]:
    people = [row.person_id for row in found.staff.all() if row.state == found.state]
    return {
        "therapist": people[0] if people else "",
        "second": people[1] if len(people) > 1 else "",
        "start": timezone.localtime(found.start).time(),
    }


def _data(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


def _number(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() else 0
