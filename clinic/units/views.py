"""The settings pages, for administrator and lead."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from clinic.access import Role, allow, signed_in
from clinic.forms import posted, refuse, respond_invalid
from clinic.limits import selectors as limits
from clinic.records import Refused
from clinic.staff.models import StandardMinutes
from clinic.units import forms, selectors, services
from clinic.units.defaults import MINUTES_WORDS
from clinic.units.models import CareSettingRule, Unit
from clinic.units.numbers import NUMBERS

get_and_post = require_http_methods(["GET", "POST"])


@allow(Role.ADMINISTRATOR, Role.LEAD)
@require_GET
def settings_page(request: HttpRequest) -> HttpResponse:
    """Everything that the clinic sets for itself."""
    context = {
        "units": list(selectors.units(in_use_only=False)),
        "rules": selectors.care_setting_rules(),
        "minutes": selectors.standard_minutes_in_words(),
        "numbers": selectors.numbers_in_force(),
        "bands": limits.bands_in_force(),
    }
    return render(request, "units/settings.html", context)


@allow(Role.ADMINISTRATOR, Role.LEAD)
@get_and_post
def new_unit(request: HttpRequest) -> HttpResponse:
    """Add a unit."""
    fresh = Unit()
    form = forms.UnitForm(
        posted(request), initial={name: getattr(fresh, name) for name in _UNIT} | {"fixed_times": ""}
    )
    return _done(
        request, form, "New unit", lambda: services.add_unit(by=signed_in(request), **form.cleaned_data)
    )


@allow(Role.ADMINISTRATOR, Role.LEAD)
@get_and_post
def unit(request: HttpRequest, unit_id: int) -> HttpResponse:
    """Change a unit."""
    row = get_object_or_404(Unit, pk=unit_id)
    initial = {name: getattr(row, name) for name in _UNIT} | {
        "fixed_times": forms.UnitForm.lines_of(row.fixed_times)
    }
    form = forms.UnitForm(posted(request), initial=initial)
    return _done(
        request,
        form,
        row.name,
        lambda: services.change_unit(row, by=signed_in(request), changes=form.cleaned_data),
    )


_UNIT = (
    "name",
    "care_setting",
    "wakes_at",
    "sleeps_at",
    "breakfast_at",
    "midday_meal_at",
    "evening_meal_at",
    "phone",
    "in_use",
)


@allow(Role.ADMINISTRATOR, Role.LEAD)
@get_and_post
def reassessment(request: HttpRequest, rule_id: int) -> HttpResponse:
    """Set how often patients in a care setting are looked at again."""
    rule = get_object_or_404(CareSettingRule, pk=rule_id)
    initial = {"every": rule.reassess_every, "spell": rule.reassess_every_spell, "source": rule.source}
    form = forms.ReassessmentForm(posted(request), initial=initial)
    title = f"Reassessment: {rule.get_care_setting_display()}"
    return _done(
        request,
        form,
        title,
        lambda: services.set_reassessment(rule, by=signed_in(request), **form.cleaned_data),
    )


@allow(Role.ADMINISTRATOR, Role.LEAD)
@get_and_post
def minutes(request: HttpRequest, row_id: int) -> HttpResponse:
    """Set the true minutes of a technique or a task."""
    row = get_object_or_404(StandardMinutes, pk=row_id)
    form = forms.MinutesForm(posted(request), initial={"minutes": row.minutes, "source": row.source})
    title = f"Standard minutes: {MINUTES_WORDS.get((row.kind, row.name), row.name)}"
    return _done(
        request,
        form,
        title,
        lambda: services.set_standard_minutes(row, by=signed_in(request), **form.cleaned_data),
    )


@allow(Role.ADMINISTRATOR, Role.LEAD)
@get_and_post
def number(request: HttpRequest, name: str) -> HttpResponse:
    """Set one of the clinic's numbers."""
    kind = NUMBERS.get(name)
    if kind is None:
        raise Http404
    form = forms.ClinicNumberForm(posted(request), kind=kind, initial={"value": selectors.number(name)})
    return _done(
        request,
        form,
        "A number of the clinic",
        lambda: services.set_number(by=signed_in(request), name=name, **form.cleaned_data),
        kind=kind,
    )


def _done(request: HttpRequest, form: Any, title: str, act: Any, **context: Any) -> HttpResponse:
    if request.method == "POST" and form.is_valid():
        try:
            act()
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Stored. What it was before stands in the audit trail.")
            return redirect("settings")
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "units/form.html", {"form": form, "title": title, **context})
