"""Reads screenings and decisions; the guard that every later part asks before a treatment."""

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from uuid import UUID

from django.db.models import Q
from django.utils import timezone

from clinic.attention.models import Flag, FlagKind, FlagState
from clinic.patients import selectors as patient_selectors
from clinic.patients.models import Patient, PatientIdentity
from clinic.records import Refused
from screening import rules, table
from screening.bedside import Stands
from screening.holds import GivenDecision, GivenScreening, Guard, Purpose, after_move, judge
from screening.lifts import selectors as lifts
from screening.lifts.rules import Lift
from screening.models import Answer, AnswerKind, Decision, Screening
from screening.policy import rules as policy_rules
from screening.policy import selectors as policies
from screening.policy.rules import Rule

Ask = tuple[UUID, str, dt.datetime]
THOUSANDTHS = 1000
ANYBODY_LICENSED = "a licensed clinician"
HOLD_KEY = "decide:"  # how the keys of the flags begin that stand for the guard's holds
# How the keys begin of the flags of a finding that could not be answered at once: they wait for a whole screening.
FOUND_KEY, STOP_SIGN_KEY, FILE_KEY = "found:", "stop-sign:", "file:"


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
    """The guard for many (patient id, technique, time), with a constant number of queries.

    Each is judged by the local policy in force at the time asked about.
    """
    wanted = list(dict.fromkeys(asks))
    if not wanted:
        return {}
    for _, technique, _ in wanted:
        if technique not in table.current().techniques:
            raise Refused("technique", f"There is no technique '{technique}' in the rule table.")
    times = [at for _, _, at in wanted]
    read = known({patient_id for patient_id, _, _ in wanted}, min(times), max(times))
    return {ask: judged(read, ask, Purpose(purpose)) for ask in wanted}


@dataclass(frozen=True)
class Known:
    """What the guard needs to know of some patients over some span of time, read once."""

    screenings: Mapping[UUID, Sequence[tuple[Screening, GivenScreening]]]
    decisions: Mapping[UUID, Sequence[GivenDecision]]
    lifts: Mapping[UUID, Sequence[Lift]]
    flags: Mapping[tuple[UUID, str], Flag]
    moves: Mapping[UUID, Sequence[dt.datetime]]
    policy: policies.History

    def in_force(self, patient_id: UUID, at: dt.datetime) -> GivenScreening | None:
        """The screening in force at an instant of the span."""
        for row, given in self.screenings.get(patient_id, ()):
            if row.started_at <= at and (row.ended_at is None or row.ended_at > at):
                return given
        return None


def known(patients: set[UUID], earliest: dt.datetime, latest: dt.datetime) -> Known:
    """Read what the guard needs for these patients, from the earliest to the latest time asked about."""
    return Known(
        screenings=_screenings(patients, earliest, latest),
        decisions=_decisions(patients, earliest),
        lifts=lifts.counting(patients, earliest),
        flags=_flags(patients),
        moves=patient_selectors.care_setting_changes(patients),
        policy=policies.between(earliest, latest),
    )


def judged(
    read: Known,
    ask: Ask,
    purpose: Purpose,
    *,
    policy: Collection[Rule] | None = None,
    stands: Stands | None = None,
) -> Guard:
    """The guard from what was read.

    Args:
        policy: local rules to judge by instead of those in force, as when asking what a change would do.
        stands: what the answers say of the technique under that policy, where it has been worked out before.
    """
    patient_id, technique, at = ask
    screening = read.in_force(patient_id, at)
    before = _noted_before(screening)
    held = (*(read.policy.in_force(at) if policy is None else policy), *before)
    found = judge(
        technique,
        at,
        purpose,
        screening=screening,
        decisions=[each for each in read.decisions.get(patient_id, ()) if each.technique == technique],
        table=policy_rules.effective(table.current(), held),
        lifts=read.lifts.get(patient_id, ()),
        stands=None if before else stands,
    )
    moved_at = next((moved for moved in read.moves.get(patient_id, ()) if moved <= at), None)
    found = after_move(found, screening, moved_at)
    flag = read.flags.get((patient_id, technique))
    if not found.clinical and not (found.wants_somebody and flag is not None):
        return found
    return replace(
        found,
        who_decides=flag.decides if flag else ANYBODY_LICENSED,
        decide_by=flag.due_at if flag else None,
    )


def _noted_before(screening: GivenScreening | None) -> tuple[Rule, ...]:
    """The rule that a screening of version 0.1.0 noted for itself: it goes on holding for its answers."""
    return policy_rules.from_old_note(screening.policy, table.current()) if screening else ()


def wait_after_meal(technique: str) -> int:
    """Minutes that this technique waits after a meal, ahead of time; 0 where the wait is a wish, not a bar."""
    if technique != policy_rules.MEAL_TECHNIQUE:
        return 0
    return policy_rules.wait_after_meal(policies.rule_table())


def value_of(answer: Answer) -> str | float:
    """A stored answer as the rules take it: a word or a number in the key's unit."""
    return _value(answer.kind, answer.value)


def _value(kind: str, value: int | None) -> str | float:
    if kind != AnswerKind.VALUE or value is None:
        return kind
    whole, rest = divmod(value, THOUSANDTHS)
    return whole if rest == 0 else value / THOUSANDTHS


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
    rows = list(
        Screening.objects.filter(
            Q(ended_at__isnull=True) | Q(ended_at__gt=earliest),
            patient_id__in=patients,
            started_at__lte=latest,
        ).order_by("-started_at", "-created_at", "id")
    )
    answers: dict[UUID, dict[str, rules.Answer]] = {row.pk: {} for row in rows}
    rule_table = table.current()
    # Plain values: a caseload has 80 answers a patient, and a model instance for each takes most of the time.
    for screening, key, kind, value, at in Answer.objects.filter(screening__in=answers).values_list(
        "screening_id", "condition", "kind", "value", "answered_at"
    ):
        if key in rule_table.conditions or key in rule_table.numbers:
            answers[screening][key] = rules.Answer(_value(kind, value), at)
    found: dict[UUID, list[tuple[Screening, GivenScreening]]] = defaultdict(list)
    for row in rows:
        given = GivenScreening(
            id=row.pk,
            at=row.started_at,
            answers=answers[row.pk],
            policy=row.policy_version,
            whole_at=row.whole_at,
        )
        found[row.patient_id].append((row, given))
    return found


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


def looked_at_since(patient_id: UUID, technique: str, at: dt.datetime) -> bool:
    """Whether all was screened again, or a clinician decided to proceed with this technique, after that time."""
    screened = Screening.objects.filter(patient_id=patient_id, whole_at__gt=at)
    decided = Decision.objects.filter(
        patient_id=patient_id, technique=technique, started_at__gt=at, proceed=True, ended_at__isnull=True
    )
    return screened.exists() or decided.exists()


def open_hold_flags(patients: Collection[UUID]) -> list[Flag]:
    """The flags of the guard's holds that nobody has closed, the latest due first."""
    return list(
        Flag.objects.filter(
            patient_id__in=patients,
            kind=FlagKind.DECIDE,
            key__startswith=HOLD_KEY,
            subject_type="",  # one about a treatment stands for a finding, not for the guard's hold
            state__in=(FlagState.OPEN, FlagState.PUT_OFF),
        ).order_by("-due_at", "id")
    )


def unanswered_findings(patient_id: UUID) -> list[Flag]:
    """The open flags of findings that could not be answered at once, and wait for a whole screening."""
    keys = (
        Q(key__startswith=FOUND_KEY)
        | Q(key__startswith=STOP_SIGN_KEY)
        | Q(key__startswith=FILE_KEY)
        | (Q(key__startswith=HOLD_KEY) & ~Q(subject_type=""))
    )
    rows = Flag.objects.filter(
        keys, patient_id=patient_id, kind=FlagKind.DECIDE, state__in=(FlagState.OPEN, FlagState.PUT_OFF)
    )
    return list(rows.order_by("due_at", "id"))


def _flags(patients: set[UUID]) -> dict[tuple[UUID, str], Flag]:
    rows = open_hold_flags(patients)
    return {(row.patient_id, row.technique): row for row in rows if row.patient_id is not None}
