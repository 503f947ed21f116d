"""Reads local policy: the rules in force at a time, the table as it then held, and what a screening noted."""

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from django.db.models import Q, QuerySet
from django.utils import timezone

from screening import table
from screening.policy import rules, words
from screening.policy.models import PolicyKind, PolicyRule, PolicyVersion
from screening.policy.rules import Rule
from screening.table import Grade, Life, Table

THOUSANDTHS = 1000


def rule_of(row: PolicyRule) -> Rule:
    """A stored rule as the calculation takes it."""
    if row.kind == PolicyKind.CELL:
        return rules.CellRule(
            condition=row.condition, technique=row.technique, grade=Grade(row.grade), reason=row.reason
        )
    if row.kind == PolicyKind.THRESHOLD:
        return rules.ThresholdRule(
            condition=row.condition, number=row.number, technique=row.technique,
            value=(row.value or 0) / THOUSANDTHS, reason=row.reason,
        )  # fmt: skip
    return rules.ShelfLifeRule(life=Life(row.life), minutes=row.minutes or 0, reason=row.reason)


@dataclass(frozen=True)
class History:
    """The stored rules of some span of time: what was in force at each instant of it."""

    rows: tuple[PolicyRule, ...]

    def in_force(self, at: dt.datetime) -> tuple[Rule, ...]:
        """The rules in force at an instant of the span."""
        return tuple(
            rule_of(row)
            for row in self.rows
            if row.started_at <= at and (row.ended_at is None or row.ended_at > at)
        )

    def table(self, at: dt.datetime) -> Table:
        """The rule table as it held at an instant of the span."""
        return rules.effective(table.current(), self.in_force(at)) if self.rows else table.current()


def between(earliest: dt.datetime, latest: dt.datetime) -> History:
    """The rules that were in force at some instant from the earliest to the latest, both included; one query."""
    rows = PolicyRule.objects.filter(
        Q(ended_at__isnull=True) | Q(ended_at__gt=earliest), started_at__lte=latest
    )
    return History(tuple(rows.order_by("started_at", "id")))


def in_force(at: dt.datetime | None = None) -> tuple[Rule, ...]:
    """The rules in force at a time, now when left out."""
    at = at or timezone.now()
    return between(at, at).in_force(at)


def rule_table(at: dt.datetime | None = None) -> Table:
    """The rule table as it holds at a time, now when left out: what is asked, what bars, how long answers count."""
    return rules.effective(table.current(), in_force(at))


def noted(versions: Collection[str]) -> dict[str, tuple[Rule, ...]]:
    """The rules behind the versions that screenings noted; one query, none where no version is noted.

    Raises: LookupError for a note that stands for nothing.
    """
    found: dict[str, tuple[Rule, ...]] = {"": ()}
    wanted = {version for version in versions if version and not version.startswith(rules.OLD_NOTE)}
    if wanted:
        rows = PolicyVersion.objects.filter(version__in=wanted)
        found |= {row.version: tuple(rules.from_plain(one) for one in row.rules) for row in rows}
    for version in versions:
        if version.startswith(rules.OLD_NOTE):
            found[version] = rules.from_old_note(version, table.current())
        elif version not in found:
            raise LookupError(f"No local policy {version!r} is known.")
    return found


def kept(versions: Collection[str]) -> set[str]:
    """Those of the noted versions that stand for something; one query."""
    stored = set(PolicyVersion.objects.filter(version__in=versions).values_list("version", flat=True))
    return {one for one in versions if not one or one in stored or one.startswith(rules.OLD_NOTE)}


def open_rules() -> QuerySet[PolicyRule]:
    """The rules in force now, the newest first."""
    return PolicyRule.objects.filter(ended_at__isnull=True).select_related("by").order_by("-started_at", "id")


def ended_rules() -> QuerySet[PolicyRule]:
    """The rules that have ended or were replaced."""
    return PolicyRule.objects.filter(ended_at__isnull=False).select_related("by", "ended_by")


def same_target(rule: Rule, rows: Iterable[PolicyRule]) -> PolicyRule | None:
    """The stored rule about the same, where there is one among the rows."""
    return next((row for row in rows if rules.target(rule_of(row)) == rules.target(rule)), None)


def changed_since(earliest: dt.datetime, latest: dt.datetime) -> bool:
    """Whether a rule was set from the earliest to the latest, both included; one query."""
    return PolicyRule.objects.filter(started_at__gte=earliest, started_at__lte=latest).exists()


def changes_so_far() -> int:
    """How many times local policy was changed until now: it tells occasions apart."""
    return PolicyRule.objects.count() + PolicyRule.objects.filter(ended_at__isnull=False).count()


@dataclass(frozen=True)
class RuleLine:
    """A stored rule as pages show it: what it says, what the table says instead, and whether its review is due."""

    row: PolicyRule
    words: str
    listed: str
    review_due: bool


def lines_in_force() -> list[RuleLine]:
    """The rules in force now, those whose review is due first; one query."""
    today = timezone.localdate()
    found = [line_of(row, today) for row in open_rules()]
    return sorted(found, key=lambda line: not line.review_due)


def line_of(row: PolicyRule, today: dt.date) -> RuleLine:
    """One stored rule as pages show it."""
    rule, in_force_table = rule_of(row), table.current()
    due = row.ended_at is None and row.review_on <= today
    return RuleLine(row, words.of(rule, in_force_table), words.listed(rule, in_force_table), due)
