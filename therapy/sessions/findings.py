"""What was found at the bedside holds at once: a treatment's findings answer rows of the rule table with yes."""

from collections.abc import Collection
from datetime import datetime

from django.db import transaction

from clinic import records
from clinic.access import patients_visible_to
from clinic.models import Patient, Person
from screening import services as screenings
from therapy.sessions import alerts
from therapy.sessions.models import TreatmentSession
from therapy.sessions.rules import conditions_found

FOUND = "found at the bedside"


def conditions_of(treatment: TreatmentSession) -> tuple[str, ...]:
    """The rows of the rule table that this treatment answers with yes."""
    events = treatment.adverse_events.filter(entered_in_error=False).order_by("at", "id")
    kinds = tuple(events.values_list("kind", flat=True))
    return conditions_found(kinds, treatment.blood, treatment.blood_volume_ml)


def follow_up(
    treatment: TreatmentSession, *, by: Person, at: datetime, source: str, known: Collection[str] = ()
) -> None:
    """Answer each condition found with yes in a new screening, all other answers kept; so the guard holds at once.

    Where that cannot be done (no access any more when a tablet sends late, or an answer that contradicts another)
    the record is kept all the same, and somebody is asked to screen again.

    Args:
        at: now, by the server's clock.
        known: conditions that an earlier version of this treatment had answered already.
    """
    found = [condition for condition in conditions_of(treatment) if condition not in known]
    if not found:
        return
    if not hold_at_once(
        treatment.patient,
        found,
        by=by,
        # A device's clock may run ahead; what was found holds from now on, not from then.
        at=min(treatment.ended_at or treatment.started_at, at),
        source=source,
    ):
        alerts.screen_again_flag(treatment, found, by=by, at=at, source=source)


def hold_at_once(
    patient: Patient, found: Collection[str], *, by: Person, at: datetime, source: str = "web"
) -> bool:
    """Answer these conditions with yes in a new screening, all other answers kept.

    Returns: False where that did not come about: refused, no access any more, or a later screening was there already
    and may not have known of it.
    """
    if not patients_visible_to(by).filter(pk=patient.pk).exists():
        return False
    try:
        with transaction.atomic():
            screening = screenings.record_screening(
                by=by,
                patient=patient,
                answers=dict.fromkeys(found, "yes"),
                at=at,
                reason=FOUND,
                keep="all",
                whole=False,
                source=source,
            )
    except records.Refused:
        return False
    return screening.ended_at is None
