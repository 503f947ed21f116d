"""Reads screenings and decisions; the guard that every later part asks before a treatment."""

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from uuid import UUID

from django.db.models import Prefetch, Q
from django.utils import timezone

from clinic.attention.models import Flag, FlagKind, FlagState
from clinic.patients import selectors as patient_selectors
from clinic.patients.models import Patient, PatientIdentity
from clinic.records import Refused
from clinic.units import selectors as units
from screening import rules, table, waits
from screening.holds import GivenDecision, GivenScreening, Guard, Purpose, after_move, judge
from screening.lifts import selectors as lifts
from screening.models import Answer, AnswerKind, Decision, Screening

Ask = tuple[UUID, str, dt.datetime]
THOUSANDTHS = 1000
ANYBODY_LICENSED = "a licensed clinician"
HOLD_KEY = "decide:"  # how the keys of the flags begin that stand for the guard's holds


def guard(patient: Patient | UUID, technique: str, at: dt.datetime, *, purpose: Purpose | str) -> Guard:
    """Whether this technique may be treated at this time, and if not why; never stored, always asked.

    Args:
        patient: the patient or the id.
        technique: a key of the rule table.
        at: the time asked about: now, the visit's start, or the session's start.
        purpose: activate, schedule, begin, record or display; begin and record want every answer within its
            shelf life, the others take each answer as it stands and name what is asked again at the bedside.
    Raises: Refused when the technique has no column in the table.
    """
    patient_id = patient.pk if isinstance(patient, Patient) else patient
    return guards_each([(patient_id, technique, at)], purpose=purpose)[patient_id, technique, at]


def guards(
    pairs: Iterable[tuple[UUID, str]], at: dt.datetime, *, purpose: Purpose | str
) -> dict[tuple[UUID, str], Guard]:
    """The guard for many (patient id, technique) at one time, with a constant number of queries."""
    found = guards_each([(patient_id, technique, at) for patient_id, technique in pairs], purpose=purpose)
    return {(patient_id, technique): one for (patient_id, technique, _), one in found.items()}


def guards_each(asks: Iterable[Ask], *, purpose: Purpose | str) -> dict[Ask, Guard]:
    """The guard for many (patient id, technique, time), with a constant number of queries."""
    wanted = list(dict.fromkeys(asks))
    if not wanted:
        return {}
    rule_table = table.current()
    for _, technique, _ in wanted:
        if technique not in rule_table.techniques:
            raise Refused("technique", f"There is no technique '{technique}' in the rule table.")
    patients = {patient_id for patient_id, _, _ in wanted}
    times = [at for _, _, at in wanted]
    screenings = _screenings(patients, min(times), max(times))
    decisions = _decisions(patients, min(times))
    lifted = lifts.counting(patients, min(times))
    flags = _flags(patients)
    moves = patient_selectors.care_setting_changes(patients)
    found: dict[Ask, Guard] = {}
    for ask in wanted:
        patient_id, technique, at = ask
        screening = _in_force(screenings[patient_id], at)
        one = judge(
            technique,
            at,
            Purpose(purpose),
            screening=screening,
            decisions=[each for each in decisions[patient_id] if each.technique == technique],
            table=rule_table,
            lifts=lifted.get(patient_id, ()),
        )
        one = after_move(
            one, screening, next((moved for moved in moves.get(patient_id, ()) if moved <= at), None)
        )
        flag = flags.get((patient_id, technique))
        if one.clinical or (one.wants_somebody and flag is not None):
            one = replace(
                one,
                who_decides=flag.decides if flag else ANYBODY_LICENSED,
                decide_by=flag.due_at if flag else None,
            )
        found[ask] = one
    return found


def wait_after_meal(technique: str) -> int:
    """Minutes that this technique waits after a meal, ahead of time; 0 where the wait is a wish, not a bar."""
    if technique != waits.TECHNIQUE:
        return 0
    return waits.minutes(table.current(), units.number(waits.CLINIC_NUMBER))


def value_of(answer: Answer) -> str | float:
    """A stored answer as the rules take it: a word or a number in the key's unit."""
    if answer.kind != AnswerKind.VALUE or answer.value is None:
        return answer.kind
    whole, rest = divmod(answer.value, THOUSANDTHS)
    return whole if rest == 0 else answer.value / THOUSANDTHS


def answers_of(screening: Screening) -> Mapping[str, rules.Answer]:
    """The answers of a screening by key, those that the table still knows."""
    rule_table = table.current()
    return {
        one.condition: rules.Answer(value_of(one), one.answered_at)
        for one in screening.answers.all()
        if one.condition in rule_table.conditions or one.condition in rule_table.numbers
    }


def age_years(patient: Patient, at: dt.datetime) -> float | None:
    """The age in whole years, under 2 years in twelfths; None where the birth date is not known any more."""
    identity = PatientIdentity.objects.filter(patient=patient).only("birth_date").first()
    if identity is None:
        return None
    born, on = identity.birth_date, timezone.localdate(at)
    months = (on.year - born.year) * 12 + on.month - born.month - (on.day < born.day)
    return months // 12 if months >= 24 else round(max(months, 0) / 12, 3)


def _screenings(
    patients: set[UUID], earliest: dt.datetime, latest: dt.datetime
) -> dict[UUID, list[tuple[Screening, GivenScreening]]]:
    rows = (
        Screening.objects.filter(
            Q(ended_at__isnull=True) | Q(ended_at__gt=earliest),
            patient_id__in=patients,
            started_at__lte=latest,
        )
        .order_by("-started_at", "-created_at", "id")
        .prefetch_related(Prefetch("answers", queryset=Answer.objects.order_by("id")))
    )
    found: dict[UUID, list[tuple[Screening, GivenScreening]]] = defaultdict(list)
    for row in rows:
        given = GivenScreening(
            id=row.pk,
            at=row.started_at,
            answers=answers_of(row),
            policy=row.policy_version,
            whole_at=row.whole_at,
        )
        found[row.patient_id].append((row, given))
    return found


def _in_force(rows: list[tuple[Screening, GivenScreening]], at: dt.datetime) -> GivenScreening | None:
    for row, given in rows:
        if row.started_at <= at and (row.ended_at is None or row.ended_at > at):
            return given
    return None


def _decisions(patients: set[UUID], earliest: dt.datetime) -> dict[UUID, list[GivenDecision]]:
    rows = (
        Decision.objects.filter(Q(ended_at__isnull=True) | Q(ended_at__gt=earliest), patient_id__in=patients)
        .select_related("decided_by")
        .order_by("-started_at", "-created_at", "id")
    )
    found: dict[UUID, list[GivenDecision]] = defaultdict(list)
    for row in rows:
        found[row.patient_id].append(given_decision(row))
    return found


def given_decision(row: Decision) -> GivenDecision:
    """A decision as the guard and the pages need it."""
    return GivenDecision(
        id=row.pk,
        technique=row.technique,
        proceed=row.proceed,
        reason=row.reason,
        conditions=row.conditions,
        stop_below_spo2_percent=row.stop_below_spo2_percent,
        at=row.started_at,
        expires_at=row.expires_at,
        by=str(row.decided_by),
        fingerprint=row.answers_fingerprint,
        ended_at=row.ended_at,
    )


def open_hold_flags(patients: Collection[UUID]) -> list[Flag]:
    """The flags of the guard's holds that nobody has closed, the latest due first."""
    return list(
        Flag.objects.filter(
            patient_id__in=patients,
            kind=FlagKind.DECIDE,
            key__startswith=HOLD_KEY,
            state__in=(FlagState.OPEN, FlagState.PUT_OFF),
        ).order_by("-due_at", "id")
    )


def _flags(patients: set[UUID]) -> dict[tuple[UUID, str], Flag]:
    rows = open_hold_flags(patients)
    return {(row.patient_id, row.technique): row for row in rows if row.patient_id is not None}
