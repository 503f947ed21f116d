"""What a referral file says is so holds at once: its conditions are answered yes in a new screening, others kept."""

import datetime as dt

from django.db import transaction
from django.utils import timezone

from clinic.attention import services as attention
from clinic.attention.models import FlagKind
from clinic.records import Refused
from clinic.referrals.followers import ConditionsTold
from clinic.units import selectors as units
from screening import check, hold_services, services, table
from screening.selectors import FILE_KEY

REASON = "from a referral file"


def keys() -> tuple[str, ...]:
    """The rows that a file may answer: all but those that follow from the birth date."""
    rule_table = table.current()
    return check.askable(rule_table.conditions, rule_table)


def follow(told: ConditionsTold) -> None:
    """Answer what the file says is so with yes; nobody was seen by that, and nothing else was gone through.

    Where an answer contradicts another one, somebody is asked to screen again and the leads are told.
    """
    at = timezone.now()
    try:
        with transaction.atomic():
            services.record_screening(
                by=told.by,
                patient=told.patient,
                answers=dict.fromkeys(told.conditions, "yes"),
                at=at,
                reason=REASON,
                keep="all",
                whole=False,
                patient_seen=False,
                source=told.source,
            )
    except Refused as refused:
        _ask(told, refused, at)


def _ask(told: ConditionsTold, refused: Refused, at: dt.datetime) -> None:
    said = "; ".join(table.current().words(key) for key in told.conditions)
    words = (
        f"A referral file says: {said}. It contradicts the screening ({refused.message}). Screen again first."
    )
    flag, opened = attention.open_flag(
        kind=FlagKind.DECIDE,
        key=f"{FILE_KEY}{told.patient.pk}:{'+'.join(sorted(told.conditions))}"[:140] + f":{at:%Y%m%d%H%M}",
        words=words,
        due_at=at + dt.timedelta(minutes=units.number("decide_by_minutes")),
        patient=told.patient,
        decides=hold_services.WHO_DECIDES,
        owner=hold_services.who_is_to_act(told.patient),
        by=told.by,
        source=told.source,
    )
    if opened:
        hold_services.tell_who_must_know(
            told.patient, kind=hold_services.NOTICE_KIND, words=words[:1000], by=told.by, flag=flag, at=at
        )
