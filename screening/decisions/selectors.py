"""Reads what decisions weighed, and why an earlier one no longer counts."""

import datetime as dt
from collections.abc import Iterable, Mapping
from uuid import UUID

from screening import table
from screening.decisions import rules
from screening.holds import Guard
from screening.models import Decision, TechniqueResult
from screening.rules import Result

CHANGED = "An answer that it weighed has changed"
_CHANGED = "an answer that it weighed has changed"


def weighed(decisions: Iterable[Decision]) -> dict[UUID, dict[str, rules.Value]]:
    """What each decision weighed, by its id, from the result that was shown then; one query."""
    rows = list(decisions)
    results = {
        (one.screening_id, one.technique): one
        for one in TechniqueResult.objects.filter(
            screening__in={row.screening_id for row in rows}, technique__in={row.technique for row in rows}
        )
    }
    return {
        row.pk: rules.weighed(results[row.screening_id, row.technique].explanation)
        for row in rows
        if (row.screening_id, row.technique) in results
    }


def no_longer(patient_id: UUID, guards: Mapping[str, Guard], at: dt.datetime) -> dict[str, str]:
    """For each technique that something holds: why the last decision, not run out yet, counts no longer.

    Two queries. Nothing where a decision counts, where there was none, or where nothing needs one.
    """
    last: dict[str, Decision] = {}
    rows = Decision.objects.filter(patient_id=patient_id, expires_at__gt=at, started_at__lte=at)
    for row in rows.select_related("screening", "decided_by").order_by("-started_at", "-created_at", "id"):
        last.setdefault(row.technique, row)
    dead = [row for key, row in last.items() if key in guards and _dead(row, guards[key])]
    before = weighed(dead)
    return {
        row.technique: f"{row.decided_by}'s decision of an earlier screening no longer counts because "
        f"{_because(row, before.get(row.pk, {}), guards[row.technique])}"
        for row in dead
    }


def _dead(row: Decision, found: Guard) -> bool:
    if found.decision is not None or found.result in (None, Result.NONE_FOUND) or found.allowed:
        return False
    if row.ended_at is not None:
        return row.ended_reason.startswith(CHANGED)
    return row.answers_fingerprint != found.fingerprint


def _because(row: Decision, before: Mapping[str, rules.Value], found: Guard) -> str:
    rule_table = table.current()
    if row.ended_at is not None:
        return row.ended_reason.removeprefix(f"{CHANGED}: ") if ": " in row.ended_reason else _CHANGED
    if changes := rules.differences(before, found.because):
        return rules.in_words(changes, rule_table)
    if row.screening.table_version != rule_table.version:
        return f"the rule table changed from version {row.screening.table_version} to {rule_table.version}"
    return "an answer that it weighed is open, or what it means here was changed"
