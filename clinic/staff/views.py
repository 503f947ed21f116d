"""The lead's pages of the team: who is present when, shifts, absences, training."""

from datetime import datetime, timedelta
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clinic.access import CLINICAL, Role, allow, signed_in
from clinic.forms import posted, refuse, respond_invalid
from clinic.records import Refused
from clinic.staff import forms, selectors, services
from clinic.staff.models import Absence, Person, Shift

get_and_post = require_http_methods(["GET", "POST"])


@allow(Role.LEAD)
@require_GET
def team(request: HttpRequest) -> HttpResponse:
    """A week of the team: shifts, absences, minutes present."""
    monday = selectors.monday_of(request.GET.get("week", ""), today=timezone.localdate())
    context = {
        "week": selectors.week(monday),
        "monday": monday,
        "sunday": monday + timedelta(days=6),
        "before": selectors.week_name(monday - timedelta(days=7)),
        "after": selectors.week_name(monday + timedelta(days=7)),
        "this": selectors.week_name(monday),
    }
    return render(request, "staff/team.html", context)


@allow(Role.LEAD)
@get_and_post
def add_shifts(request: HttpRequest, person_id: int) -> HttpResponse:
    """Add the same shift on several days of a week."""
    member = _member(person_id)
    monday = selectors.monday_of(request.GET.get("week", ""), today=timezone.localdate())
    form = forms.ShiftsForm(posted(request), monday=monday)
    week = selectors.week_name(monday)
    context = {
        "form": form,
        "member": member,
        "monday": monday,
        "week": week,
        "shifts": selectors.shifts_of(member, monday),
    }
    if request.method == "POST" and form.is_valid():
        try:
            added = services.add_shifts(member, by=signed_in(request), **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, f"{len(added)} added for {member}.")
            return redirect(f"{reverse('staff')}?week={week}")
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "staff/shifts.html", context)


@allow(Role.LEAD)
@require_POST
def cancel_shift(request: HttpRequest, shift_id: int) -> HttpResponse:
    """Take out a shift that was entered by mistake."""
    shift = get_object_or_404(Shift.objects.select_related("person"), pk=shift_id)
    if services.cancel_shift(shift, by=signed_in(request)):
        messages.success(request, f"A shift of {shift.person} is taken out.")
    return redirect(f"{reverse('staff')}?week={selectors.week_name(timezone.localdate(shift.start))}")


@allow(*CLINICAL)
@get_and_post
def absent(request: HttpRequest, person_id: int) -> HttpResponse:
    """Mark somebody absent; a therapist only themselves. The lead goes on to whoever is not covered then."""
    person, member = signed_in(request), _member(person_id)
    if person.role != Role.LEAD and member.pk != person.pk:
        raise Http404
    form = forms.AbsenceForm(posted(request), initial=selectors.rest_of_today(timezone.now()))
    if request.method == "POST" and form.is_valid():
        try:
            services.mark_absent(member, by=person, **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, f"{member} is marked absent.")
            return redirect(_after_absence(person, form.cleaned_data["start"]))
    absences = selectors.absences_of(member, timezone.now())
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "staff/absent.html", {"form": form, "member": member, "absences": absences})


def _after_absence(person: Person, start: datetime) -> str:
    """For the lead the page of who is not covered on that day, for a therapist the home page."""
    try:
        if person.role == Role.LEAD:
            return f"{reverse('cover')}?date={timezone.localdate(start).isoformat()}"
        return reverse("home")
    except NoReverseMatch:
        return reverse("attention")


@allow(*CLINICAL)
@require_POST
def end_absence(request: HttpRequest, absence_id: int) -> HttpResponse:
    """Somebody is back."""
    person = signed_in(request)
    absence = get_object_or_404(Absence.objects.select_related("person"), pk=absence_id)
    if person.role != Role.LEAD and absence.person_id != person.pk:
        raise Http404
    try:
        services.end_absence(absence, by=person)
    except Refused as refused:
        messages.warning(request, refused.message)
    else:
        messages.success(request, f"{absence.person} is back.")
    return redirect("absent", person_id=absence.person_id)


@allow(Role.LEAD)
@get_and_post
def training(request: HttpRequest, person_id: int) -> HttpResponse:
    """What somebody is trained for."""
    member = _member(person_id)
    form: Any = forms.TrainingForm(posted(request), initial={"valid_from": timezone.localdate()})
    if request.method == "POST" and form.is_valid():
        try:
            services.set_competency(member, by=signed_in(request), **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Stored.")
            return redirect("training", person_id=member.pk)
    context = {
        "form": form,
        "member": member,
        "competencies": selectors.competencies_of(member, timezone.localdate()),
    }
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "staff/training.html", context)


def _member(person_id: int) -> Person:
    return get_object_or_404(Person, pk=person_id, role__in=services.PRESENT_ROLES, is_active=True)
