"""Lifts a starred "do not start" for one patient: proposed, signed twice, ended early, or ended by another answer."""

import datetime as dt
from collections.abc import Mapping
from uuid import UUID

from django.db import IntegrityError, transaction

from clinic import access, records
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.audit import services as audit
from clinic.formats import count
from clinic.ids import new_id
from clinic.patients.models import Patient
from clinic.records import Refused
from clinic.staff.models import Person
from clinic.units import selectors as units
from screening import hold_services, selectors, table, words
from screening.holds import Purpose
from screening.lifts import rules
from screening.lifts import selectors as lifts
from screening.lifts.models import Lift, LiftSignature, SignatureGiven, SignaturePart
from screening.lifts.names import names
from screening.models import Screening
from screening.rules import Contribution, Result, TechniqueResult

LONGEST = "lift_longest_days"


@transaction.atomic
def propose(
    *,
    by: Person,
    patient: Patient,
    technique: str,
    condition: str,
    prescriber: str,
    prescriber_account: Person | None,
    given: str,
    reason: str,
    expires_at: dt.datetime,
    at: dt.datetime,
    lift_id: UUID | None = None,
) -> Lift:
    """Enter a lift; it counts only once it has both signatures.

    Args:
        by: whoever treats and has access to the patient. Where `by` is the prescriber, this signs as such.
        prescriber: the name in words, where the prescriber has no account.
        prescriber_account: the prescriber's own account; then the prescriber signs while signed in.
        given: how a prescriber without an account gave it, "written" or "telephone" (read back).
        lift_id: made by the page; sent again, it makes no second record.
    Raises: NotPermitted; Refused naming the field, with reason and source where the cell is a published one.
    """
    access.require(by, *access.CLINICAL)
    _require_visible(by, patient)
    if lift_id is not None and (again := Lift.objects.filter(pk=lift_id, patient=patient).first()):
        return again
    part, screening = _barring(patient, technique, condition, at)
    name = _prescriber(prescriber, prescriber_account, given)
    if not reason.strip():
        raise Refused("reason", "Enter the reason")
    _check_expiry(expires_at, at)
    if any(one.waits for one in _of(patient, technique, condition, at)):
        raise Refused("condition", "A lift of it waits for signatures already")
    lift = Lift(
        pk=lift_id or new_id(),
        patient=patient,
        screening=screening,
        technique=technique,
        condition=condition,
        answer=rules.answer_text(part.answer),
        prescriber=name,
        prescriber_account=prescriber_account,
        reason=reason.strip()[:500],
        expires_at=expires_at,
        by=by,
        started_at=at,
    )
    lift.save(force_insert=True)
    audit.record(
        action="lift proposed", by=by, subject=lift, patient=patient, changed=[technique, condition],
        reason=reason,
    )  # fmt: skip
    _ask_for_signatures(lift, by=by, at=at)
    if prescriber_account is None:
        _sign(lift, SignaturePart.PRESCRIBER, by=by, at=at, given=given)
    elif prescriber_account.pk == by.pk and by.licensed:
        _sign(lift, SignaturePart.PRESCRIBER, by=by, at=at)
    return lift


@transaction.atomic
def sign(*, by: Person, lift: Lift, at: dt.datetime) -> LiftSignature:
    """Sign a lift oneself: as the prescriber it names, else as the second licensed clinician.

    With the second signature it counts, and replaces an earlier one of the same cell.
    Raises: NotPermitted unless licensed and looking after the patient; Refused where nothing is left to sign, where
        one person would sign twice, or where the answer or the cell is not the one it was made for.
    """
    access.require_licensed(by)
    patient = lift.patient
    _require_visible(by, patient)
    row = lifts.row_of(Lift.objects.prefetch_related("signatures__by").get(pk=lift.pk), at)
    if row.over:
        raise Refused("lift", "This lift has ended: nothing is left to sign")
    mine, why_not = lifts.signing(by, row)
    if mine is None:
        raise Refused("lift", why_not)
    part, _ = _barring(patient, lift.technique, lift.condition, at)
    if rules.answer_text(part.answer) != lift.answer:
        raise Refused("lift", "The answer is another one now: propose it again")
    signature = _sign(lift, mine, by=by, at=at)
    if {one.part for one in LiftSignature.objects.filter(lift=lift)} == set(SignaturePart.values):
        _takes_effect(lift, by=by, at=at)
    return signature


@transaction.atomic
def end(*, by: Person, lift: Lift, at: dt.datetime, reason: str) -> None:
    """End a lift early, or withdraw one not signed yet. Whoever treats may: it is the cautious way.

    Raises: NotPermitted; Refused without a reason, or where it had ended already.
    """
    access.require(by, *access.CLINICAL)
    _require_visible(by, lift.patient)
    if not reason.strip():
        raise Refused("reason", "Enter the reason")
    if lift.expires_at <= at or not records.end(lift, by=by, at=at, reason=reason.strip()[:500]):
        raise Refused("lift", "This lift has ended already")
    _ended(lift, by=by, reason=reason)
    hold_services.tell_holds(by=by, patient=lift.patient, at=at)


@transaction.atomic
def follow_answers(*, by: Person, screening: Screening, found: Mapping[str, TechniqueResult]) -> list[Lift]:
    """End every lift of the patient that was made for another answer than this screening's.

    Called in the transaction that records the screening. An unchanged answer that was asked again keeps its lift;
    any other, also unknown, ends it for good: the old answer coming back does not bring it back.
    """
    ended = []
    at = screening.started_at
    open_ones = Lift.objects.filter(
        patient=screening.patient, ended_at__isnull=True, started_at__lte=at, expires_at__gt=at
    ).order_by("started_at", "id")
    for lift in open_ones:
        if _same_answer(lift, found.get(lift.technique)):
            continue
        reason = "Another answer was given: a lift counts for the answer it was made for"
        if records.end(lift, by=by, at=at, reason=reason):
            _ended(lift, by=by, reason=reason)
            ended.append(lift)
    return ended


def close_run_out(*, at: dt.datetime) -> int:
    """For a job: close the flags of lifts that ran out before both had signed. Running it twice closes nothing more."""
    waiting = Flag.objects.filter(
        kind=FlagKind.CO_SIGN, subject_type=Lift._meta.label_lower, state__in=attention.NOT_CLOSED
    )
    by_lift = {flag.subject_id: flag for flag in waiting.order_by("id")}
    over = Lift.objects.filter(pk__in=[UUID(key) for key in by_lift], expires_at__lte=at).order_by("id")
    return sum(
        attention.close_flag(by_lift[str(one.pk)], by=None, outcome="void", words="It ran out unsigned")
        for one in over
    )


def _same_answer(lift: Lift, found: TechniqueResult | None) -> bool:
    parts = found.contributions if found else ()
    return any(
        part.cell.condition == lift.condition
        and part.result is not Result.INCOMPLETE
        and rules.answer_text(part.answer) == lift.answer
        for part in parts
    )


def _barring(
    patient: Patient, technique: str, condition: str, at: dt.datetime
) -> tuple[Contribution, Screening]:
    """The cell that bars now, whether or not a lift already covers it. Raises: Refused where none may be lifted."""
    rule_table = table.current()
    if technique not in rule_table.techniques or condition not in rule_table.conditions:
        raise Refused("condition", "There is no such row or technique in the rule table")
    found = selectors.guard(patient, technique, at, purpose=Purpose.DISPLAY)
    part = next((one for one in found.because if one.cell.condition == condition), None)
    if part is None or found.screening_id is None or part.result is Result.INCOMPLETE:
        said = rule_table.conditions[condition].words
        raise Refused("condition", f"There is nothing to lift: '{said}' is not answered yes")
    if why := rules.refusal(part.cell, rule_table):
        raise Refused("condition", why)
    return part, Screening.objects.get(pk=found.screening_id)


def _prescriber(prescriber: str, account: Person | None, given: str) -> str:
    """The prescriber's name. Raises: Refused where it is wanting, or where an account's owner must sign."""
    if account is not None:
        if not (account.is_active and account.licensed and account.role in access.CLINICAL):
            raise Refused("prescriber_account", "The prescriber must be a licensed clinician")
        return str(account)
    if not prescriber.strip():
        raise Refused("prescriber", "Enter who prescribed it, or choose the account")
    for person in lifts.licensed_people():
        if names(prescriber, person.given_name, person.family_name):
            raise Refused(
                "prescriber",
                f"{person} has an account: choose it, so that {person} signs. Somebody else: add the given name",
            )
    if given not in (SignatureGiven.WRITTEN, SignatureGiven.TELEPHONE):
        raise Refused("given", "Choose how the prescriber gave it")
    return prescriber.strip()[:120]


def _check_expiry(expires_at: dt.datetime, at: dt.datetime) -> None:
    days = units.number(LONGEST)
    if not at < expires_at <= at + dt.timedelta(days=days):
        raise Refused("expires_at", f"The end must lie in the future and within {count(days, 'day')}")


def _of(patient: Patient, technique: str, condition: str, at: dt.datetime) -> list[lifts.LiftRow]:
    rows = Lift.objects.filter(
        patient=patient, technique=technique, condition=condition, ended_at__isnull=True
    ).prefetch_related("signatures__by")
    return [lifts.row_of(one, at) for one in rows.order_by("started_at", "id")]


def _sign(
    lift: Lift, part: str, *, by: Person, at: dt.datetime, given: str = SignatureGiven.SIGNED_IN
) -> LiftSignature:
    try:
        with transaction.atomic():
            signature = LiftSignature.objects.create(lift=lift, part=part, given=given, by=by, at=at)
    except IntegrityError as error:
        raise Refused("lift", "It was signed already") from error
    audit.record(action="lift signed", by=by, subject=lift, patient=lift.patient_id, changed=[str(part)])
    return signature


def _takes_effect(lift: Lift, *, by: Person, at: dt.datetime) -> None:
    for row in _of(lift.patient, lift.technique, lift.condition, at):
        if row.lift.pk != lift.pk and records.end(row.lift, by=by, at=at, reason="Lifted anew"):
            _ended(row.lift, by=by, reason="Lifted anew")
    _close_flag(lift, by=by, outcome="done", said="Signed twice")
    hold_services.tell_holds(by=by, patient=lift.patient, at=at)


def _ended(lift: Lift, *, by: Person, reason: str) -> None:
    audit.record(action="lift ended", by=by, subject=lift, patient=lift.patient_id, reason=reason)
    _close_flag(lift, by=by, outcome="void", said=reason)


def _ask_for_signatures(lift: Lift, *, by: Person, at: dt.datetime) -> None:
    rule_table = table.current()
    due = min(at + dt.timedelta(minutes=units.number("decide_by_minutes")), lift.expires_at)
    attention.open_flag(
        kind=FlagKind.CO_SIGN,
        key=_flag_key(lift),
        words=(
            f"To be signed by the prescriber and a second licensed clinician: lift of "
            f"'{rule_table.conditions[lift.condition].words}' for {words.technique(lift.technique, rule_table)}."
        ),
        due_at=due,
        patient=lift.patient,
        owner=lift.prescriber_account if lift.prescriber_account_id != by.pk else None,
        decides="the prescriber and a second licensed clinician",
        technique=lift.technique,
        subject=lift,
        by=by,
    )


def _flag_key(lift: Lift) -> str:
    return f"co_sign:lift:{lift.pk}"


def _close_flag(lift: Lift, *, by: Person, outcome: str, said: str) -> None:
    flag = Flag.objects.filter(key=_flag_key(lift)).first()
    if flag is not None:
        # Closing follows from the act itself, which was permitted; it is never refused for who owns the flag.
        attention.close_flag(flag, by=by, outcome=outcome, words=said)


def _require_visible(by: Person, patient: Patient) -> None:
    if not access.patients_visible_to(by).filter(pk=patient.pk).exists():
        raise access.NotPermitted("Only for those who look after this patient.")
