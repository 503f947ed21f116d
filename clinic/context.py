"""What the frame of every page needs: the clinic's name, the navigation of the role, the person, and now."""

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils import timezone

from clinic import appearance
from clinic.staff.roles import Role

# The words and the URL name of each entry, in the order of the work.
NAVIGATION: dict[str, tuple[tuple[str, str], ...]] = {
    Role.LEAD: (
        ("Today", "home"),
        ("Day schedule", "day-schedule"),
        ("Referrals", "referrals"),
        ("Patients", "patients"),
        ("Needs attention", "attention"),
        ("Reassessments", "reassessments-due"),
        ("Reports", "reports"),
        ("Staff", "staff"),
        ("Settings", "settings"),
    ),
    Role.THERAPIST: (
        ("My round", "home"),
        ("Patients", "patients"),
        ("Orders", "orders"),
        ("Reassessments", "reassessments-due"),
        ("Needs attention", "attention"),
    ),
    Role.MANAGER: (("Service", "home"), ("Reports", "reports")),
    Role.ADMINISTRATOR: (
        ("Accounts", "accounts"),
        ("Settings", "settings"),
        ("Needs attention", "attention"),
    ),
}
# Where a role has many entries: with which one the service begins, after the day and its patients.
_SERVICE_BEGINS: dict[str, str] = {Role.LEAD: "reports"}


@dataclass(frozen=True)
class Entry:
    """One entry of the navigation; current when the page shown lies under it, apart where another group begins."""

    words: str
    address: str
    current: bool
    apart: bool = False


def navigation(role: str, path: str) -> list[Entry]:
    """The entries of a role, the one that the path lies under marked."""
    found = []
    for words, url_name in NAVIGATION.get(role, ()):
        try:
            found.append((words, reverse(url_name), _SERVICE_BEGINS.get(role) == url_name))
        except NoReverseMatch:
            continue
    under = [
        address for _, address, _ in found if address == path or (address != "/" and path.startswith(address))
    ]
    nearest = max(under, key=len, default="")
    return [Entry(words, address, address == nearest, apart) for words, address, apart in found]


def frame(request: HttpRequest) -> dict[str, Any]:
    """Context for base.html."""
    context: dict[str, Any] = {
        "clinic_name": settings.CLINIC_NAME,
        "training_data": settings.TRAINING_DATA,
        "now": timezone.now(),
        "theme": appearance.chosen(request),
    }
    person = getattr(request, "user", None)
    if person is not None and person.is_authenticated:
        context["person"] = person
        context["person_name"] = str(person)
        context["role_words"] = Role(person.role).label
        context["navigation"] = navigation(person.role, request.path)
    return context
