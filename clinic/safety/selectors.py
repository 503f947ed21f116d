"""Reads safety concerns, and what a page is from its address."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.urls import Resolver404, resolve

from clinic.access import patients_visible_to
from clinic.patients.models import Patient
from clinic.safety.models import SafetyConcern
from clinic.safety.rules import address_without_secrets
from clinic.staff.models import Person
from clinic.staff.roles import Role

# Whoever answers for the service sees every concern; everybody sees their own.
SEES_ALL = (Role.LEAD, Role.MANAGER)
LONGEST_ADDRESS = 200


@dataclass(frozen=True)
class PageAt:
    """A page of the app: the name of its URL, and its address without query and secrets; both empty for none."""

    name: str = ""
    address: str = ""

    @property
    def words(self) -> str:
        """The page as a person calls it."""
        return page_words(self.name)


def page_words(name: str) -> str:
    """The name of a URL as words: `bedside-check` is `Bedside check`."""
    return name.replace("-", " ").capitalize() if name else "No page of the app"


def page_at(path: str) -> PageAt:
    """The page at an address; an address that is none of the app's is kept as none."""
    try:
        match = resolve(path.split("?", 1)[0])
    except Resolver404:
        return PageAt()
    return PageAt(match.url_name or "", address_without_secrets(match.route, match.kwargs)[:LONGEST_ADDRESS])


def patient_of_page(person: Person, patient_id: Any) -> Patient | None:
    """The patient a page is about, where this person may open that patient; else nobody."""
    try:
        wanted = UUID(str(patient_id))
    except ValueError:
        return None
    return patients_visible_to(person).select_related("identity", "unit").filter(pk=wanted).first()


def concerns(person: Person) -> QuerySet[SafetyConcern]:
    """The concerns this person may read, the newest first."""
    rows = SafetyConcern.objects.select_related("by", "answer__by", "patient__identity", "patient__unit")
    if not person.is_active:
        return rows.none()
    if person.role not in SEES_ALL:
        rows = rows.filter(by=person)
    return rows.order_by("-at", "-id")


def concern(person: Person, concern_id: Any) -> SafetyConcern | None:
    """One concern, or None where this person may not read it."""
    return concerns(person).filter(pk=concern_id).first()
