"""Local policy: what must stay true of its rules, and of what screenings noted of them."""

from collections.abc import Iterable

from clinic.calculation import NotCalculable
from screening import table, versions
from screening.models import PolicyRule, PolicyVersion, Screening
from screening.policy import rules
from screening.policy import selectors as policies
from screening.table import Table
from therapy.pages.record_checks.registry import Finding, found, holds


@holds("a local rule is stricter than the rule table")
def local_rules_are_stricter() -> Iterable[Finding]:
    # A rule in force may have been overtaken by a later table, so a table that was in force serves as well.
    kept = [versions.known(version) for version in versions.digests(table.DIRECTORY)]
    tables = [table.current(), *(one for one in kept if one is not None)]
    for row in PolicyRule.objects.order_by("pk"):
        if not any(_stricter(row, one) for one in tables):
            yield found(row, "is not stricter than the rule table")


def _stricter(row: PolicyRule, of: Table) -> bool:
    try:
        rules.check(policies.rule_of(row), of)
    except (NotCalculable, ValueError, KeyError):
        return False
    return True


@holds("one local rule is in force on one target at a time")
def local_rules_do_not_overlap() -> Iterable[Finding]:
    last: dict[tuple[str, ...], PolicyRule] = {}
    for row in PolicyRule.objects.order_by("started_at", "created_at", "pk"):
        target = (row.kind, row.condition, row.technique, row.number, row.life)
        before = last.get(target)
        if before is not None and (before.ended_at is None or before.ended_at > row.started_at):
            yield found(row, "was in force beside another rule about the same")
        last[target] = row


@holds("the local policy that a screening noted is kept, and is the one that its version names")
def noted_policies_are_kept() -> Iterable[Finding]:
    kept = set()
    for row in PolicyVersion.objects.order_by("pk"):
        kept.add(row.version)
        try:
            same = rules.version(rules.from_plain(one) for one in row.rules) == row.version
        except NotCalculable:
            same = False
        if not same:
            yield found(row, "its rules are not those that its version names")
    for screening in Screening.objects.exclude(policy_version="").order_by("pk").iterator():
        if screening.policy_version not in kept and not screening.policy_version.startswith(rules.OLD_NOTE):
            yield found(screening, "the local policy that it noted is not kept")
