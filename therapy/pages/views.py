"""The home page of each role, search, and what the app is for."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from clinic.access import CLINICAL, EVERYONE, Role, allow, signed_in
from clinic.audit import services as audit
from clinic.forms import respond_invalid
from clinic.patients import selectors as patients
from screening.decisions.counts import ENOUGH, MOST_OVERRIDDEN_PERCENT
from therapy.pages import about as about_page
from therapy.pages import decision_counts as counted
from therapy.pages import safety_pages
from therapy.pages.forms import SearchForm
from therapy.pages.selectors_accounts import accounts_home
from therapy.pages.selectors_lead import lead_home
from therapy.pages.selectors_round import round_home
from therapy.pages.selectors_service import service_home

MOST_FOUND = 50


@allow(*EVERYONE)
def home(request: HttpRequest) -> HttpResponse:
    """The page made for the work of whoever signed in."""
    person, now = signed_in(request), timezone.now()
    if person.role == Role.LEAD:
        return render(request, "pages/home_lead.html", {"home": lead_home(person, now)})
    if person.role == Role.THERAPIST:
        return render(request, "pages/home_round.html", {"home": round_home(person, now)})
    if person.role == Role.MANAGER:
        return render(request, "pages/home_service.html", {"home": service_home(person, now)})
    return render(request, "pages/home_accounts.html", {"home": accounts_home(now)})


@allow(*CLINICAL)
def search(request: HttpRequest) -> HttpResponse:
    """Find a patient. Sent as a form, so that no name stands in an address; that something was looked for is kept."""
    form = SearchForm(request.POST or None)
    if not form.is_bound:
        return render(request, "pages/search.html", {"form": form})
    if not form.is_valid():
        return respond_invalid(request, "pages/search.html", {"form": form})
    found = list(
        patients.search(signed_in(request), form.cleaned_data["words"]).order_by(*patients.NAME_ORDER)[
            : MOST_FOUND + 1
        ]
    )
    rows = patients.in_list(found[:MOST_FOUND])
    audit.record(action="searched", by=signed_in(request), subject=request.path, reason=f"{len(rows)} shown")
    more = len(found) > MOST_FOUND
    return render(request, "pages/search.html", {"form": form, "rows": rows, "asked": True, "more": more})


@allow(*EVERYONE)
def about(request: HttpRequest) -> HttpResponse:
    """What the app is for, what it is not for, its cautions and its sources."""
    return render(request, "pages/about.html", {"about": about_page.about()})


@allow(*EVERYONE)
@require_GET
def hazard_log(request: HttpRequest) -> HttpResponse:
    """The hazards of the app, their controls, and the tests that prove each control."""
    return render(request, "pages/hazards.html", {"log": safety_pages.hazard_log()})


@allow(*EVERYONE)
@require_GET
def rule_table(request: HttpRequest, group: str = "") -> HttpResponse:
    """One group of the rule table, each row with its cells, stars and sources."""
    return render(request, "pages/rules.html", {"group": safety_pages.rule_group(group)})


@allow(*EVERYONE)
@require_GET
def rules_in_force(request: HttpRequest) -> HttpResponse:
    """What holds in this clinic now: shelf lives, thresholds, and its own settings."""
    return render(request, "pages/in_force.html", {"in_force": safety_pages.in_force()})


@allow(Role.LEAD)
def decision_counts(request: HttpRequest) -> HttpResponse:
    """How often each condition made a clinician decide in a month, and what came of it."""
    page = counted.of_month(request.GET.get("month", ""), timezone.localdate())
    context = {"page": page, "enough": ENOUGH, "most": MOST_OVERRIDDEN_PERCENT}
    return render(request, "pages/decision_counts.html", context)
