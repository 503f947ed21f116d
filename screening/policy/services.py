"""Sets and ends local rules, notes the set of rules under which a screening is made, and flags a review that is due."""

import datetime as dt
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic import access, records
from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind, FlagState
from clinic.audit import services as audit
from clinic.calculation import NotCalculable
from clinic.ids import new_id
from clinic.jobs import services as jobs
from clinic.records import Refused
from clinic.staff.models import Person
from clinic.staff.roles import Role
from screening import table
from screening.policy import rules, selectors, words
from screening.policy.models import PolicyRule, PolicyVersion
from screening.policy.rules import CellRule, Rule, ThresholdRule

TELL_JOB = "tell-holds"  # opens and closes the flags of the guard's holds; therapy/tasks.py
LONGEST_REVIEW = dt.timedelta(days=366)  # local convention
REVIEW_WITHIN = dt.timedelta(days=7)
REVIEW_KEY = "policy-review:"


def require_may_set(person: Person) -> None:
    """Raises NotPermitted unless the person is the department's lead and licensed."""
    access.require(person, Role.LEAD)
    access.require_licensed(person)


@transaction.atomic
def set_rule(
    *,
    by: Person,
    rule: Rule,
    review_on: dt.date,
    replacing: Any = None,
    rule_id: UUID | None = None,
) -> PolicyRule:
    """Make something stricter than the table from now on; what was set before about the same is replaced.

    Args:
        by: the lead, licensed.
        review_on: when somebody looks at it again, within a year.
        replacing: the id of the rule about the same that the person saw, "" where there was none; None checks nothing.
        rule_id: made by the page; sent again, it makes no second rule.
    Returns: the rule; the guard uses it at once, and a job tells who must know of what it now holds.
    Raises: NotPermitted; Refused naming the field, for what the table knows as strict or stricter; Changed when
        somebody else set the same meanwhile.
    """
    require_may_set(by)
    if rule_id is not None and (again := PolicyRule.objects.filter(pk=rule_id).first()) is not None:
        return again
    check(rule, review_on=review_on)
    at = timezone.now()
    before = selectors.same_target(rule, selectors.open_rules())
    if replacing is not None and str(replacing) != (str(before.pk) if before else ""):
        raise records.Changed(before or PolicyRule())
    row = _row(rule, by=by, review_on=review_on, at=at, pk=rule_id or new_id())
    try:
        with transaction.atomic():
            if before is None:
                row.save(force_insert=True)
            else:
                records.replace(before, row, by=by, at=at, reason="Changed")
    except IntegrityError as error:
        raise Refused(
            "reason", "Somebody else set a rule about the same meanwhile: open the page again"
        ) from error
    if before is not None:
        _close_review(before, by=by, words="Changed")
    audit.record(
        action="local policy set",
        by=by,
        subject=row,
        changed=[words.of(rule, table.current())],
        reason=row.reason,
    )
    jobs.enqueue(TELL_JOB, f"policy:{row.pk}", by=None)
    return row


@transaction.atomic
def end_rule(*, by: Person, row: PolicyRule, reason: str) -> PolicyRule:
    """End a rule: from now on the table holds again.

    Raises: NotPermitted; Refused without a reason, or where a milder band would then be the stricter one.
    """
    require_may_set(by)
    if not reason.strip():
        raise Refused("reason", "Enter the reason for ending it")
    check_end(row)
    if not records.end(row, by=by, at=timezone.now(), reason=reason.strip()):
        return row
    _close_review(row, by=by, words="Ended")
    said = words.of(selectors.rule_of(row), table.current())
    audit.record(action="local policy ended", by=by, subject=row, changed=[said], reason=reason)
    jobs.enqueue(TELL_JOB, f"policy-ended:{row.pk}", by=None)
    return row


def check(rule: Rule, *, review_on: dt.date) -> None:
    """Refuse what would loosen, what has no reason, and what would turn the order of a number's bands.

    Raises: Refused naming the field and the value listed.
    """
    try:
        rules.check(rule, table.current())
    except NotCalculable as error:
        raise Refused(error.field.lstrip("/"), f"{error.message}. Allowed: {error.allowed}") from error
    if not rule.reason.strip():
        raise Refused("reason", "Enter the reason: it is shown wherever the rule counts")
    today = timezone.localdate()
    if not today < review_on <= today + LONGEST_REVIEW:
        raise Refused("review_on", "The review date must lie in the future and within 12 months")
    _refuse_turned(
        rules.with_rule(selectors.in_force(), rule), "grade" if isinstance(rule, CellRule) else "value"
    )


def seen_by(rule: Rule, replacing: str, *, saving: bool) -> PolicyRule | None:
    """The rule in force about the same, once it is sure that it is the one that the person saw.

    Args:
        replacing: the id of the rule that the person saw, "" for none.
        saving: False before the preview, which shows what is there: then only a rule that has gone is told.
    Raises: Changed with the rule in force now, or with the one that has ended.
    """
    there = selectors.same_target(rule, selectors.open_rules())
    saw = PolicyRule.objects.filter(pk=replacing).select_related("by").first() if replacing else None
    if saw is not None and saw.ended_at is not None:
        raise records.Changed(there or saw)
    if saving and there is not None and there != saw:
        raise records.Changed(there)
    return there


def check_end(row: PolicyRule) -> None:
    """Raises: Refused where ending the rule would leave a milder band of a number stricter than a harsher one."""
    _refuse_turned(rules.without(selectors.in_force(), selectors.rule_of(row)), "reason")


def note(held: tuple[Rule, ...]) -> str:
    """The version that a screening notes for the rules it is made under, kept so that it can be replayed."""
    version = rules.version(held)
    if version and not PolicyVersion.objects.filter(version=version).exists():
        PolicyVersion.objects.bulk_create(
            [PolicyVersion(version=version, rules=rules.as_plain(held))], ignore_conflicts=True
        )
    return version


@transaction.atomic
def flag_reviews(*, now: dt.datetime) -> int:
    """For a job: flag each rule whose review date has come, to the lead. A second run opens nothing more."""
    opened = 0
    lead = Person.objects.filter(role=Role.LEAD, is_active=True, licensed=True).order_by("pk").first()
    for row in selectors.open_rules().filter(review_on__lte=timezone.localdate(now)):
        _, fresh = attention.open_flag(
            kind=FlagKind.CHECK_ENTRY,
            key=f"{REVIEW_KEY}{row.pk}",
            words=f"Local policy to be reviewed: {words.of(selectors.rule_of(row), table.current())}",
            due_at=now + REVIEW_WITHIN,
            owner=lead,
            source="job",
        )
        opened += fresh
    return opened


def _close_review(row: PolicyRule, *, by: Person, words: str) -> None:
    flag = Flag.objects.filter(
        key=f"{REVIEW_KEY}{row.pk}", state__in=(FlagState.OPEN, FlagState.PUT_OFF)
    ).first()
    if flag is not None:
        attention.close_flag(flag, by=by, outcome="done", words=words)


def _refuse_turned(held: tuple[Rule, ...], field: str) -> None:
    turned = rules.out_of_order(rules.effective(table.current(), held))
    if turned:
        raise Refused(field, f"{turned}, while a milder value is barred: tighten the harsher one with it")


def _row(rule: Rule, *, by: Person, review_on: dt.date, at: dt.datetime, pk: UUID) -> PolicyRule:
    said = rules.as_plain([rule])[0] | {"reason": rule.reason.strip()}
    if isinstance(rule, ThresholdRule):
        said["value"] = round(rule.value * selectors.THOUSANDTHS)
    return PolicyRule(pk=pk, by=by, review_on=review_on, started_at=at, **said)
