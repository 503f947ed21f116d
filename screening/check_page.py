"""Puts together the bedside check: what to ask, or what holds the technique, and where to go from there."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

from django.http import Http404

from clinic.limits import selectors as limits
from clinic.limits.rules import Target, Watch
from clinic.patients.models import Patient
from clinic.staff.models import Person
from screening import check, ordered, pages, selectors, table, words
from screening.holds import Bar, Guard, Purpose
from screening.models import Screening
from screening.policy import selectors as policies
from screening.table import Table


@dataclass(frozen=True)
class CheckPage:
    """Whether a technique may begin now, and what must be asked first.

    Attributes:
        rows: the rows to ask; none where every answer that bears on the technique is in date.
        on_hold: it must not begin, whatever is answered here.
        allowed: the other ordered techniques that nothing holds, shown beside a hold.
        watch: what the numbers at the bedside are held against.
        then: where the treatment goes on, an address of this site; empty where none was given.
        table: the rule table as it holds now under local policy.
    """

    technique: str
    words: str
    verdict: Guard
    previous: Screening | None
    rows: tuple[str, ...]
    allowed: tuple[str, ...]
    can_decide: bool
    then: str
    watch: Watch
    table: Table

    @property
    def on_hold(self) -> bool:
        return self.verdict.held and (self.verdict.clinical or not self.rows)


def of(person: Person, patient: Patient, technique: str, at: dt.datetime, then: str) -> CheckPage:
    """The page as it stands, in a constant number of queries. Raises: Http404 where the table has no such technique."""
    if technique not in table.current().techniques:
        raise Http404
    rule_table = policies.rule_table(at)
    verdict = selectors.guard(patient, technique, at, purpose=Purpose.BEGIN)
    return CheckPage(
        technique=technique,
        words=words.technique(technique, rule_table),
        verdict=verdict,
        previous=pages.in_force(patient),
        rows=check.to_ask(verdict, rule_table),
        allowed=_allowed(patient, technique, at) if verdict.held else (),
        can_decide=person.licensed and verdict.bar in (Bar.DECISION_WANTED, Bar.DECIDED_AGAINST),
        then=then,
        watch=watch_of(patient, verdict),
        table=rule_table,
    )


def watch_of(patient: Patient, verdict: Guard, at: dt.datetime | None = None) -> Watch:
    """What the numbers are held against; a decision's limit below which to stop counts where it is the stricter one."""
    found = limits.watch(patient, at)
    decided = verdict.decision.stop_below_spo2_percent if verdict.decision else None
    if decided is None:
        return found
    if found.target is None:
        return replace(found, target=Target(0, 100, decided))
    own = found.target.stop_below
    return replace(found, target=replace(found.target, stop_below=max(decided, own or 0)))


def may_begin(patient: Patient, technique: str, at: dt.datetime) -> bool:
    """Whether the guard lets the technique begin now."""
    return selectors.guard(patient, technique, at, purpose=Purpose.BEGIN).allowed


def _allowed(patient: Patient, technique: str, at: dt.datetime) -> tuple[str, ...]:
    """The other ordered techniques on which nothing holds."""
    others: Sequence[str] = [key for key in ordered.techniques([patient.pk])[patient.pk] if key != technique]
    guards = selectors.guards([(patient.pk, key) for key in others], at, purpose=Purpose.DISPLAY)
    return tuple(words.technique(key, table.current()) for key in others if guards[patient.pk, key].allowed)
