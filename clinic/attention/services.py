"""Opens, puts off and closes what needs attention; tells people things and keeps their answers."""

from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

from django.db import models, transaction
from django.utils import timezone

from clinic.access import NotPermitted, patients_visible_to
from clinic.attention.models import Flag, FlagKind, FlagState, Notice, NoticeAnswer, Told, ToldHow
from clinic.audit import services as audit
from clinic.records import Refused, move
from clinic.staff.models import Person
from clinic.staff.roles import Role

if TYPE_CHECKING:
    from clinic.patients.models import Patient

NOT_CLOSED = (FlagState.OPEN, FlagState.PUT_OFF)
# Kinds that a person closes; the others close by the act they wait for.
BY_HAND = (
    FlagKind.OUTSIDE_RULES,
    FlagKind.OVERLAP,
    FlagKind.CHECK_ENTRY,
    FlagKind.JOB_FAILED,
    FlagKind.SAFETY,
)


class FlagOutcome(models.TextChoices):
    """How a flag ended. Only the first is chosen by hand; the others follow from what happened."""

    DONE = "done", "done"
    SUPERSEDED = "superseded", "superseded"
    DISCHARGED = "discharged", "discharged, not done"
    DIED = "died", "died"
    VOID = "void", "no longer applies"


@transaction.atomic
def open_flag(
    *,
    kind: str,
    key: str,
    words: str,
    due_at: datetime,
    by: Person | None = None,
    patient: "Patient | None" = None,
    owner: Person | None = None,
    decides: str = "",
    technique: str = "",
    subject: models.Model | None = None,
    source: str = "web",
) -> tuple[Flag, bool]:
    """Open a flag, once for its key.

    Args:
        key: what makes opening it twice one flag; name the occasion, so that a later occasion opens another.
        words: what is to be looked at; no name of a patient.
        by: who caused it; None for a job.
        subject: the record it is about, for the link.
    Returns: the flag, and whether this call opened it; a closed one with the same key is not opened again.
    """
    flag, created = Flag.objects.get_or_create(
        key=key,
        defaults={
            "kind": kind,
            "words": words[:500],
            "due_at": due_at,
            "patient": patient,
            "owner": owner,
            "decides": decides,
            "technique": technique,
            "subject_type": subject._meta.label_lower if subject is not None else "",
            "subject_id": str(subject.pk) if subject is not None else "",
        },
    )
    if created:
        audit.record(action="flag opened", by=by, subject=flag, patient=patient, source=source)
    return flag, created


@transaction.atomic
def close_flag(
    flag: Flag,
    *,
    by: Person | None,
    outcome: str = FlagOutcome.DONE,
    words: str = "",
    at: datetime | None = None,
    source: str = "web",
) -> bool:
    """Close a flag by its outcome. False where it was closed already.

    Raises: NotPermitted where the flag is not this person's to close; Refused for an unknown outcome.
    """
    _may_act(flag, by)
    if outcome not in FlagOutcome.values:
        raise Refused("outcome", f"The outcome must be one of {', '.join(FlagOutcome.values)}.")
    closed = move(
        Flag,
        flag.pk,
        frm=NOT_CLOSED,
        to=FlagState.CLOSED,
        outcome=outcome,
        outcome_words=words.strip()[:500],
        closed_at=at or timezone.now(),
        closed_by=by,
    )
    if closed:
        flag.refresh_from_db()
        audit.record(
            action="flag closed", by=by, subject=flag, patient=flag.patient_id, reason=words, source=source
        )
    return closed


def close_by_hand(flag: Flag, *, by: Person, words: str) -> bool:
    """Close a flag because somebody has seen to it, and says how. False where it was closed already.

    Raises: NotPermitted; Refused without words, and for the kinds that only the act itself closes: a reassessment
    by reassessing, a hold by the decision, a signature by signing.
    """
    if flag.kind not in BY_HAND:
        raise Refused("words", "This closes by itself when it is done. Open it and do it there")
    if not words.strip():
        raise Refused("words", "Enter what was done")
    return close_flag(flag, by=by, words=words)


def close_flags_of(
    patient: "Patient",
    *,
    by: Person | None,
    outcome: str,
    words: str,
    kinds: tuple[str, ...] | None = None,
    source: str = "web",
) -> int:
    """Close every flag of a patient (of some kinds), because something happened that makes them void."""
    flags = Flag.objects.filter(patient=patient, state__in=NOT_CLOSED).order_by("id")
    if kinds is not None:
        flags = flags.filter(kind__in=kinds)
    with transaction.atomic():
        return sum(
            close_flag(flag, by=by, outcome=outcome, words=words, source=source) for flag in list(flags)
        )


@transaction.atomic
def put_off(flag: Flag, *, by: Person, until: datetime, reason: str) -> bool:
    """Put a flag off until a time, with the reason; it comes back by itself. False where it was closed.

    Raises: NotPermitted; Refused without a reason, or where the time does not lie ahead.
    """
    _may_act(flag, by)
    if not reason.strip():
        raise Refused("reason", "Enter why it can wait.")
    if until <= timezone.now():
        raise Refused("until", "Put off until must be a time in the future.")
    done = move(
        Flag,
        flag.pk,
        frm=NOT_CLOSED,
        to=FlagState.PUT_OFF,
        put_off_until=until,
        put_off_reason=reason.strip()[:500],
    )
    if done:
        flag.refresh_from_db()
        audit.record(action="flag put off", by=by, subject=flag, patient=flag.patient_id, reason=reason)
    return done


@transaction.atomic
def hand_on(flag: Flag, *, by: Person, owner: Person) -> bool:
    """Give a flag another owner; only the lead does. False where it was closed."""
    if by.role != Role.LEAD or not by.is_active:
        raise NotPermitted("Only for: department lead.")
    if not owner.is_active:
        raise Refused("owner", "The owner must have an open account.")
    done = Flag.objects.filter(pk=flag.pk, state__in=NOT_CLOSED).update(owner=owner) == 1
    if done:
        flag.refresh_from_db()
        audit.record(action="flag handed on", by=by, subject=flag, patient=flag.patient_id, changed=["owner"])
    return done


@transaction.atomic
def tell(
    *,
    to: Person,
    words: str,
    kind: str,
    by: Person | None = None,
    patient: "Patient | None" = None,
    flag: Flag | None = None,
    source: str = "web",
) -> Notice:
    """Tell one person something. `kind` is one word, like "handover", "hold", "emergency"."""
    if not words.strip():
        raise Refused("words", "Enter what is to be said.")
    if len(words.strip()) > 1000:
        raise Refused("words", "The note must be 1,000 characters or fewer.")
    notice = Notice.objects.create(to=to, words=words.strip(), kind=kind, by=by, patient=patient, flag=flag)
    audit.record(action="notice sent", by=by, subject=notice, patient=patient, source=source)
    return notice


def tell_leads(
    *,
    words: str,
    kind: str,
    by: Person | None = None,
    patient: "Patient | None" = None,
    flag: Flag | None = None,
    source: str = "web",
) -> list[Notice]:
    """Tell every lead with an open account, except whoever says it."""
    leads = Person.objects.filter(role=Role.LEAD, is_active=True).order_by("id")
    return [
        tell(to=lead, words=words, kind=kind, by=by, patient=patient, flag=flag, source=source)
        for lead in leads
        if by is None or lead.pk != by.pk
    ]


@transaction.atomic
def answer(notice: Notice, *, by: Person, words: str = "") -> NoticeAnswer:
    """Keep that a notice was read, and what was said to it; a second answer changes nothing.

    Raises: NotPermitted unless `by` is the one who was told.
    """
    if notice.to_id != by.pk or not by.is_active:
        raise NotPermitted("Only the one who was told may answer.")
    answered, created = NoticeAnswer.objects.get_or_create(
        notice=notice, defaults={"by": by, "words": words.strip()[:500]}
    )
    if created:
        audit.record(action="notice read", by=by, subject=notice, patient=notice.patient_id)
    return answered


@transaction.atomic
def record_told(
    *,
    by: Person,
    patient: "Patient",
    who: str,
    how: str,
    at: datetime,
    said: str,
    technique: str = "",
    flag: Flag | None = None,
    subject: models.Model | None = None,
    told_id: UUID | None = None,
) -> Told:
    """Keep that somebody was told by telephone or in person, who need not have an account, and what they said.

    Args:
        by: whoever told them; must be able to open the patient.
        flag, technique, subject: what it was about.
        told_id: made by the page, so that a second press is the same record.
    Raises: NotPermitted; Refused naming the field.
    """
    if not patients_visible_to(by).filter(pk=patient.pk).exists():
        raise NotPermitted("Only whoever treats the patient, and the lead.")
    if told_id is not None and (known := Told.objects.filter(pk=told_id, patient=patient).first()):
        return known
    if not who.strip():
        raise Refused("who", "Enter who was told.")
    if how not in ToldHow.values:
        raise Refused("how", "Choose how they were told.")
    if not said.strip():
        raise Refused("said", "Enter what they said, or that nobody answered.")
    if at > timezone.now():
        raise Refused("at", "The time must be now or in the past.")
    told = Told(
        patient=patient,
        who=who.strip()[:120],
        how=how,
        at=at,
        said=said.strip()[:500],
        technique=technique,
        flag=flag,
        subject_type=subject._meta.label_lower if subject is not None else "",
        subject_id=str(subject.pk) if subject is not None else "",
        by=by,
    )
    if told_id is not None:
        told.pk = told_id
    told.save(force_insert=True)
    audit.record(
        action="told", by=by, subject=told, patient=patient, changed=[technique] if technique else []
    )
    return told


def _may_act(flag: Flag, by: Person | None) -> None:
    """The lead, the owner, or whoever may open the patient; a job (None) always."""
    if by is None or (by.is_active and (by.role == Role.LEAD or flag.owner_id == by.pk)):
        return
    if flag.patient_id is None or not patients_visible_to(by).filter(pk=flag.patient_id).exists():
        raise NotPermitted("Only the owner, the lead, or whoever treats the patient.")
