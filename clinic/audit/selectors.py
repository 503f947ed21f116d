"""Reads the audit trail."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from clinic.access import patients_visible_to
from clinic.audit.models import AuditEvent
from clinic.staff.models import Person
from clinic.staff.roles import Role


def trail_of(person: Person, patient_id: Any) -> QuerySet[AuditEvent]:
    """Everything that was read and done on one patient, the newest first; for the lead only."""
    if person.role != Role.LEAD or not patients_visible_to(person).filter(pk=patient_id).exists():
        return AuditEvent.objects.none()
    return AuditEvent.objects.filter(patient_id=patient_id).order_by("-at", "-pk")


@dataclass(frozen=True)
class TrailRow:
    """One row of the trail, with the actor in words."""

    event: AuditEvent
    actor: str


def with_actors(events: Iterable[AuditEvent]) -> list[TrailRow]:
    """Put the actors' names beside the rows, in one query for all."""
    listed = list(events)
    people: QuerySet[Person] = Person.objects.filter(pk__in={event.actor_id for event in listed})
    names = {person.pk: str(person) for person in people}
    return [TrailRow(event, names.get(event.actor_id or 0, "the system")) for event in listed]
