"""What the form for giving one window starts with: whose patient it is, and when that therapist is first free."""

from dataclasses import dataclass
from datetime import datetime

from clinic.assignments.models import Assignment
from clinic.models import Person
from therapy.scheduling import selectors
from therapy.scheduling.in_order import Span, Wanted, free_time, place_in_order
from therapy.scheduling.models import DueWindow


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A therapist and a time, either of them unknown where nothing suits."""

    therapist: Person | None
    start: datetime | None


def suggest(window: DueWindow, now: datetime) -> Suggestion:
    """The assigned therapist, and the first moment in the window at which both are free."""
    assignment = (
        Assignment.objects.filter(patient=window.patient_id, ended_at__isnull=True)
        .select_related("therapist")
        .first()
    )
    if assignment is None:
        return Suggestion(None, None)
    therapist, day = assignment.therapist, window.service_date
    free = free_time(selectors.present_spans(therapist, day), selectors.taken_spans(therapist, day))
    placed, _ = place_in_order(
        [Wanted(window.pk, window.patient_id, window.earliest, window.latest, window.minutes)],
        [Span(max(span.start, now), span.end) for span in free if span.end > now],
        patients_taken=selectors.patients_taken([window.patient_id], day),
    )
    return Suggestion(therapist, placed[0].span.start if placed else None)
