"""Takes a safety concern and opens its flag; keeps what was done about it."""

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from clinic.access import EVERYONE, NotPermitted, Role, require
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.audit import services as audit
from clinic.ids import new_id
from clinic.patients.models import Patient
from clinic.records import Refused
from clinic.request_context import current_request_id
from clinic.safety import selectors
from clinic.safety.models import ConcernAnswer, Harmed, SafetyConcern, WhatKind
from clinic.safety.rules import without_names
from clinic.staff.models import Person
from clinic.units import selectors as units
from clinic.version import version

LONGEST = 2000
DECIDES = "the department lead"


@transaction.atomic
def report(
    *,
    by: Person,
    page: str,
    words: str,
    patient_id: Any = None,
    kind: str = "",
    harmed: str = Harmed.UNKNOWN,
    severity: int | None = None,
    concern_id: UUID | None = None,
    app_version: str = "",
    at: datetime | None = None,
    source: str = "web",
) -> tuple[SafetyConcern, bool]:
    """Keep a safety concern and open its flag for the lead. Returns it, and whether this call kept it.

    Args:
        page: the address of the page it is about; kept without query and secrets.
        patient_id: whom that page is about; kept only where the person may open that patient.
        concern_id: made by whoever sends it, so that sending it twice keeps it once.
        app_version: what the page was shown by; the version that runs when left out.
    Raises: Refused without words or for a value that is none of the choices; NotPermitted with a closed account.
    """
    require(by, *EVERYONE)
    if not words.strip():
        raise Refused("words", "Enter what happened")
    if len(words.strip()) > LONGEST:
        raise Refused("words", f"What happened must be {LONGEST:,} characters or fewer")
    if kind not in ("", *WhatKind.values):
        raise Refused("kind", "Choose what it is about from the list")
    if harmed not in Harmed.values:
        raise Refused("harmed", "Choose whether somebody was harmed from the list")
    if severity is not None and not 1 <= severity <= 5:
        raise Refused("severity", "How bad it could be must be between 1 and 5")
    there = SafetyConcern.objects.filter(pk=concern_id).first() if concern_id else None
    if there is not None:
        if there.by_id != by.pk:
            raise NotPermitted("This concern is somebody else's.")
        return there, False
    shown, patient = selectors.page_at(page), selectors.patient_of_page(by, patient_id)
    now = at or timezone.now()
    concern = SafetyConcern.objects.create(
        id=concern_id or new_id(),
        at=now,
        by=by,
        role=by.role,
        page=shown.address,
        page_name=shown.name,
        app_version=app_version[:20] or version(),
        patient=patient,
        words=without_names(words.strip(), _names_of(patient))[:LONGEST],
        kind=kind,
        harmed=harmed,
        severity=severity,
        request_id=current_request_id(),
    )
    audit.record(action="safety concern reported", by=by, subject=concern, patient=patient, source=source)
    flag, _ = attention.open_flag(
        kind=FlagKind.CONCERN,
        key=_key(concern),
        words=f"{_told(concern)} Page: {shown.words}.",
        due_at=now + timedelta(hours=units.number("safety_review_hours")),
        by=by,
        decides=DECIDES,
        subject=concern,
        source=source,
    )
    if harmed == Harmed.YES:
        attention.tell_leads(
            words="A safety concern says that somebody was harmed. Read it now.",
            kind="concern",
            by=by,
            flag=flag,
            source=source,
        )
    return concern, True


@transaction.atomic
def answer(
    concern: SafetyConcern, *, by: Person, words: str, at: datetime | None = None, source: str = "web"
) -> tuple[ConcernAnswer, bool]:
    """Keep what was done about a concern, close its flag, and tell whoever reported it.

    Returns: the answer, and whether this call gave it; a second answer changes nothing.
    Raises: NotPermitted unless `by` is a lead; Refused without words.
    """
    require(by, Role.LEAD)
    if not words.strip():
        raise Refused("words", "Enter what was done")
    if len(words.strip()) > LONGEST:
        raise Refused("words", f"What was done must be {LONGEST:,} characters or fewer")
    kept, created = ConcernAnswer.objects.get_or_create(
        concern=concern,
        defaults={
            "by": by,
            "words": without_names(words.strip(), _names_of(concern.patient))[:LONGEST],
            "at": at or timezone.now(),
        },
    )
    if created:
        audit.record(
            action="safety concern answered",
            by=by,
            subject=concern,
            patient=concern.patient_id,
            source=source,
        )
        for flag in Flag.objects.filter(key=_key(concern)):
            attention.close_flag(flag, by=by, words="Answered.", at=at, source=source)
        if concern.by_id != by.pk:
            attention.tell(
                to=concern.by,
                words=f"Your safety concern was answered: {kept.words}"[:1000],
                kind="concern",
                by=by,
                source=source,
            )
    return kept, created


def _key(concern: SafetyConcern) -> str:
    return f"concern:{concern.pk}"


def _told(concern: SafetyConcern) -> str:
    """What the flag says: no word of the report itself, which the concern's own page shows."""
    if concern.harmed == Harmed.YES:
        return "A safety concern was reported: somebody was harmed."
    return "A safety concern was reported."


def _names_of(patient: Patient | None) -> tuple[str, ...]:
    if patient is None:
        return ()
    identity = patient.identity
    return (identity.family_name, identity.given_name, identity.preferred_name)
