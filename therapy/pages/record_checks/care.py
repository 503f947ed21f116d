"""Screenings, decisions, orders and due windows: what must stay true."""

from collections import defaultdict
from collections.abc import Iterable

from django.db.models import F, Q
from django.utils import timezone

from clinic.calculation import NotCalculable
from screening import rules, versions
from screening.models import Answer, Decision, Lift, Screening, TechniqueResult
from screening.policy import rules as policy_rules
from screening.policy import selectors as policies
from screening.replayed import Stored, differences, replay
from screening.selectors import value_of
from screening.table import TableRefused
from therapy.models import DueWindow, Order, ScheduledVisit, VisitStaff
from therapy.orders.doses import TECHNIQUES, counted_columns, dose_fields
from therapy.pages.record_checks.registry import Finding, found, holds
from therapy.scheduling.models import OCCUPIES


@holds("a screening's results are what its answers give by the table of its version and its policy")
def results_follow_from_the_answers() -> Iterable[Finding]:
    rows = Screening.objects.prefetch_related("answers", "results").order_by("pk")
    known: dict[tuple[str, str, frozenset[tuple[str, object]]], dict[str, rules.TechniqueResult] | str] = {}
    held = policies.noted(policies.kept(set(rows.values_list("policy_version", flat=True))))
    for row in rows.iterator(chunk_size=100):
        if row.policy_version not in held:
            continue  # another check tells of it
        answers = {one.condition: rules.Answer(value_of(one)) for one in row.answers.all()}
        key = row.table_version, row.policy_version, frozenset((k, one.value) for k, one in answers.items())
        if key not in known:
            known[key] = _replayed(row, answers, held[row.policy_version])
        again = known[key]
        if isinstance(again, str):
            yield found(row, again)
            continue
        stored = [Stored(one.technique, one.result, one.explanation) for one in row.results.all()]
        if differing := differences(sorted(stored, key=lambda one: one.technique), again):
            yield found(row, f"its results are not those of its answers: {'; '.join(differing)}")


def _replayed(
    row: Screening, answers: dict[str, rules.Answer], held: Iterable[policy_rules.Rule]
) -> dict[str, rules.TechniqueResult] | str:
    """What the answers give by the table of the screening's version, or why that cannot be told."""
    try:
        return replay(answers, policy_rules.effective(versions.of(row.table_version), held))
    except TableRefused as refused:
        return f"cannot be replayed: {refused}"
    except NotCalculable as refused:
        return f"its answers contradict each other: {refused.message}"


@holds("no answer is dated after the screening that carries it")
def answers_are_not_from_the_future() -> Iterable[Finding]:
    for row in Answer.objects.filter(answered_at__gt=F("screening__started_at")):
        yield found(row, "was answered after its screening")


@holds("a decision is a licensed clinician's, on a technique that wanted one, and expires")
def decisions_were_wanted() -> Iterable[Finding]:
    wanted = set(
        TechniqueResult.objects.filter(result=rules.Result.CLINICIAN_MUST_DECIDE).values_list(
            "screening_id", "technique"
        )
    )
    lifted = set(Lift.objects.values_list("patient_id", "technique"))
    for row in Decision.objects.select_related("decided_by"):
        # A lift makes a decision out of a "do not start": the other findings beside it still want one.
        asked = (row.screening_id, row.technique) in wanted or (row.patient_id, row.technique) in lifted
        if not asked:
            yield found(row, "its screening did not ask for a decision")
        if not row.decided_by.licensed:
            yield found(row, "was made by an account that is not a licensed clinician's")
        if row.expires_at <= row.started_at:
            yield found(row, "expired before it was made")
        if not row.reason.strip():
            yield found(row, "has no reason")


@holds(
    "an order's dose has every field of its technique, and the columns that figures are made of agree with it"
)
def doses_are_whole() -> Iterable[Finding]:
    for row in Order.objects.order_by("pk").iterator():
        if row.technique not in TECHNIQUES:
            yield found(row, f"technique {row.technique} has no column in the rule table")
            continue
        missing = {field.name for field in dose_fields(row.technique)} ^ set(row.dose)
        if missing:
            yield found(row, f"dose fields differ from those of the technique: {', '.join(sorted(missing))}")
            continue
        for column, value in counted_columns(row.technique, row.dose).items():
            if getattr(row, column) != value:
                yield found(row, f"{column} is {getattr(row, column)}, the dose says {value}")


@holds("a patient has one order of a technique in force at a time")
def orders_do_not_overlap() -> Iterable[Finding]:
    last: dict[tuple[object, str], Order] = {}
    for row in Order.objects.filter(draft=False).order_by("patient_id", "technique", "started_at", "id"):
        before = last.get((row.patient_id, row.technique))
        ends = [each for each in (before.ended_at, before.valid_until) if each] if before else []
        if before is not None and (not ends or min(ends) > row.started_at):
            yield found(row, "was in force beside another order of the same technique")
        last[row.patient_id, row.technique] = row


@holds("a due window belongs to its order's patient and technique, on the local date on which it opens")
def windows_belong_to_their_order() -> Iterable[Finding]:
    rows = DueWindow.objects.select_related("order")
    for row in rows.exclude(patient=F("order__patient"), technique=F("order__technique")):
        yield found(row, "patient or technique is not that of its order")
    for row in DueWindow.objects.only("pk", "earliest", "service_date").iterator():
        if timezone.localdate(row.earliest) != row.service_date:
            yield found(row, f"opens on another date than {row.service_date}")


@holds("a due window that is no longer open says when, and one not given says whose reason it was")
def windows_are_whole() -> Iterable[Finding]:
    for row in DueWindow.objects.filter(state="open").exclude(
        closed_at__isnull=True, reason_group="", reason=""
    ):
        yield found(row, "is open, but has a time or reason of closing")
    for row in DueWindow.objects.exclude(state="open").filter(closed_at__isnull=True):
        yield found(row, f"is {row.state} without a time")
    for row in DueWindow.objects.filter(state="not_delivered", reason_group=""):
        yield found(row, "was not given, and nobody knows whose reason it was")
    for row in DueWindow.objects.filter(state__in=("full", "cancelled")).exclude(reason_group=""):
        yield found(row, f"is {row.state}, but has a reason for not being given")


@holds("the windows of an order follow each other, and none opens after the order has ended")
def windows_follow_each_other() -> Iterable[Finding]:
    last: dict[object, DueWindow] = {}
    for row in DueWindow.objects.exclude(state="cancelled").order_by("order_id", "earliest", "id").iterator():
        before = last.get(row.order_id)
        if before is not None and before.latest > row.earliest:
            yield found(row, "opens while the one before is open")
        last[row.order_id] = row
    for row in DueWindow.objects.filter(state="open", earliest__gt=F("order__ended_at")):
        yield found(row, "is open, though its order ended before")


@holds("nobody is scheduled in two places at once")
def visits_do_not_overlap() -> Iterable[Finding]:
    for model, group in ((VisitStaff, "person_id"), (ScheduledVisit, "patient_id")):
        last: dict[object, VisitStaff | ScheduledVisit] = {}
        for row in model._default_manager.filter(state__in=OCCUPIES).order_by(group, "start", "id"):
            who = getattr(row, group)
            if who in last and last[who].end > row.start:
                yield found(
                    row,
                    "overlaps with another of the same "
                    + ("therapist" if group == "person_id" else "patient"),
                )
            if who not in last or last[who].end < row.end:
                last[who] = row


@holds("a visit's therapists have its times and state, and the visit is for its window's patient and date")
def visits_agree_with_their_parts() -> Iterable[Finding]:
    placed: dict[object, int] = defaultdict(int)
    for place in VisitStaff.objects.select_related("visit"):
        placed[place.visit_id] += place.state in OCCUPIES
        if place.state == "cancelled":
            continue
        if (place.start, place.end, place.state) != (place.visit.start, place.visit.end, place.visit.state):
            yield found(place, "times or state are not those of the visit")
    for row in ScheduledVisit.objects.select_related("window"):
        if row.state in OCCUPIES and not placed[row.pk]:
            yield found(row, "nobody is to make it")
        if row.window and (
            row.window.patient_id != row.patient_id or row.window.service_date != row.service_date
        ):
            yield found(row, "patient or date is not that of its window")
    for row in ScheduledVisit.objects.filter(state="cancelled", reason=""):
        yield found(row, "is cancelled without a reason")
    for row in ScheduledVisit.objects.filter(state="scheduled").filter(Q(window__state="cancelled")):
        yield found(row, "is scheduled for a window that was cancelled")
