"""What was found at the bedside holds at once: a treatment's findings answer rows of the rule table with yes."""

from collections.abc import Collection
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from clinic import records
from clinic.models import Patient, Person
from screening import rules, selectors
from screening import services as screenings
from screening.models import Screening
from screening.table import current as rule_table
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

    It holds also where a tablet sends late and the access has ended meanwhile. Where it cannot be answered (it
    contradicts another answer, or the row was asked again since) the record is kept all the same, and somebody is
    asked to screen again.

    Args:
        at: now, by the server's clock.
        known: conditions that an earlier version of this treatment had answered already.
    """
    found = [condition for condition in conditions_of(treatment) if condition not in known]
    if not found:
        return
    left = hold_at_once(
        treatment.patient,
        found,
        by=by,
        # A device's clock may run ahead; what was found holds from now on, not from then.
        at=min(treatment.ended_at or treatment.started_at, at),
        source=source,
    )
    if left:
        alerts.screen_again_flag(treatment, left, by=by, at=at, source=source)


def hold_at_once(
    patient: Patient, found: Collection[str], *, by: Person, at: datetime, source: str = "web"
) -> list[str]:
    """Answer these conditions with yes in a new screening, all other answers kept.

    Behind a later screening that only carried an older answer over, the finding is the newer answer: it is given
    again beside the later one, and holds from now on.

    Called only for what is recorded already: whether this person may was asked there.

    Returns: the conditions for which that did not come about: refused, or asked again after the finding and answered
    otherwise.
    """
    try:
        with transaction.atomic():
            screening = _answer(patient, found, by=by, at=at, source=source)
            if screening.ended_at is None:
                return []
            older, left = _behind(patient, found, at)
            if older:
                _answer(patient, older, by=by, at=timezone.now(), source=source)
            return left
    except records.Refused:
        return list(found)


def _answer(patient: Patient, found: Collection[str], *, by: Person, at: datetime, source: str) -> Screening:
    return screenings.record_screening(
        by=by,
        patient=patient,
        answers=dict.fromkeys(found, "yes"),
        at=at,
        reason=FOUND,
        keep="all",
        whole=False,
        follows_record=True,
        source=source,
    )


def _behind(patient: Patient, found: Collection[str], at: datetime) -> tuple[list[str], list[str]]:
    """Which findings are newer than what the screening in force says of their rows, and which it denies later."""
    in_force = Screening.objects.filter(patient=patient, ended_at__isnull=True).first()
    answers = selectors.answers_of(in_force) if in_force is not None else {}
    table = rule_table()
    older: list[str] = []
    denied: list[str] = []
    for condition in found:
        given = [answers[key] for key in rules.answered_with(table.conditions[condition]) if key in answers]
        if condition in answers and answers[condition].value == rules.YES:
            continue
        later = any(
            one.value not in (rules.UNKNOWN, rules.NOT_MEASURED) and one.at is not None and one.at >= at
            for one in given
        )
        (denied if later else older).append(condition)
    return older, denied
