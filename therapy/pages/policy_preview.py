"""What a change of local policy would do, before it is saved: which patients, from which result to which, which orders.

Worked out in memory for every active patient, from the same answers and by the same functions as the guard.
"""

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from uuid import UUID

from clinic.calculation import NotCalculable
from clinic.patients.models import Patient, PatientState
from screening import bedside, ordered, rules, selectors, table, words
from screening.bedside import Stands
from screening.holds import GivenScreening, Purpose
from screening.policy import rules as policies
from screening.policy import selectors as stored
from screening.policy.rules import Rule
from screening.rules import Result
from screening.table import Table


@dataclass(frozen=True, slots=True)
class Change:
    """One technique of one patient on which a change of policy bears.

    ``holds`` and ``frees``: what is ordered would go on hold, or would no longer be on hold.
    """

    technique: str
    before: Result
    after: Result
    is_ordered: bool
    holds: bool = False
    frees: bool = False

    @property
    def words(self) -> str:
        """The technique and the two results in words."""
        name = words.technique(self.technique, table.current())
        return f"{name}: {words.result(self.before)}, then {words.result(self.after)}"


@dataclass(frozen=True)
class Preview:
    """What would change, by patient; `bedside` where the results are those for beginning now."""

    looked_at: int
    changes: Mapping[UUID, tuple[Change, ...]]
    bedside: bool

    @property
    def orders_held(self) -> int:
        return sum(one.holds for of_patient in self.changes.values() for one in of_patient)

    @property
    def orders_freed(self) -> int:
        return sum(one.frees for of_patient in self.changes.values() for one in of_patient)


def preview(after: Collection[Rule], at: dt.datetime) -> Preview:
    """Compare what holds now with what would hold under the rules `after`, for all active patients.

    A shelf life bears on beginning alone, so there the results compared are those for beginning now; a constant
    number of queries.
    """
    ids = set(
        Patient.objects.filter(state=PatientState.ACTIVE, entered_in_error=False).values_list("pk", flat=True)
    )
    return compare(selectors.known(ids, at, at), ordered.techniques(ids), stored.in_force(at), after, at)


def compare(
    read: selectors.Known,
    wanted: Mapping[UUID, Sequence[str]],
    before: Collection[Rule],
    after: Collection[Rule],
    at: dt.datetime,
) -> Preview:
    """The preview from what was read, in memory.

    Args:
        wanted: the patients looked at, each with the techniques ordered.
    """
    old, new = (policies.effective(table.current(), held) for held in (before, after))
    by_age = old.shelf_lives != new.shelf_lives
    rows = _rows_changed(old, new)
    changes = {}
    for patient_id, techniques in wanted.items():
        screening = read.in_force(patient_id, at)
        if screening is None:
            continue
        aged = tuple(rules.keys_too_old(screening.answers, each, at) for each in (old, new)) if by_age else ()
        if not (by_age and aged[0] != aged[1]) and not _may_change(screening, rows, old, new):
            continue
        found = tuple(_changes(screening, (old, new), at, rows=rows, aged=aged, of=techniques))
        if found:
            purpose = Purpose.BEGIN if by_age else Purpose.DISPLAY
            changes[patient_id] = tuple(
                _judged(one, both, read, (patient_id, one.technique, at), purpose, policy=(before, after))
                for one, both in found
            )
    return Preview(len(wanted), {key: kept for key, of in changes.items() if (kept := _telling(of))}, by_age)


def _telling(changes: Iterable[Change]) -> tuple[Change, ...]:
    """Those that change a result, or whether what is ordered may go on."""
    return tuple(one for one in changes if one.before != one.after or one.holds or one.frees)


def _rows_changed(old: Table, new: Table) -> tuple[str, ...]:
    """The rows on which old and new differ by a cell or a threshold."""
    cells = {place[0] for place, cell in old.cells.items() if cell.grade is not new.cells[place].grade}
    moved = {row for row in old.conditions if old.local.get(row) != new.local.get(row)}
    return tuple(row for row in old.conditions if row in cells | moved)


def _may_change(screening: GivenScreening, rows: Iterable[str], old: Table, new: Table) -> bool:
    """Whether a cell or threshold that differs bears on these answers: quickly said for most patients."""
    answers = screening.answers
    try:
        return any(rules.row_state(row, answers, each)[0] != rules.NO for row in rows for each in (old, new))
    except NotCalculable:
        return False


def _changes(
    screening: GivenScreening,
    tables: tuple[Table, Table],
    at: dt.datetime,
    *,
    rows: Collection[str],
    aged: Sequence[Collection[str]],
    of: Iterable[str],
) -> Iterable[tuple[Change, tuple[Stands, Stands]]]:
    """The techniques on which something else counts afterwards, each with what the answers say before and after.

    Args:
        aged: the keys whose answers are too old by each table, where the two differ in how long an answer counts.
    """
    answers, (old, new) = screening.answers, tables
    try:
        was = rules.screen(answers, old)
        will = rules.screen(answers, new) if rows else was
        before, after = (
            bedside.stands(answers, held, at=at, ahead=said, too_old=aged[place])
            if aged
            else {key: Stands(one, ()) for key, one in said.items()}
            for place, (held, said) in enumerate(((old, was), (new, will)))
        )
    except NotCalculable:
        return
    is_ordered = set(of)
    for technique, one in before.items():
        other = after[technique]
        if one.ahead is other.ahead and not one.by_age and not other.by_age:
            continue
        if _weighed(one) == _weighed(other):
            continue
        said = Change(technique, one.result, other.result, technique in is_ordered)
        yield said, (one, other)


def _weighed(found: Stands) -> set[tuple[str, Result]]:
    return {(part.cell.condition, part.result) for part in found.parts}


def _judged(
    one: Change,
    both: tuple[Stands, Stands],
    read: selectors.Known,
    ask: selectors.Ask,
    purpose: Purpose,
    *,
    policy: tuple[Collection[Rule], Collection[Rule]],
) -> Change:
    """The change with what the guard says of it, by decisions and lifts as well, where the technique is ordered."""
    if not one.is_ordered:
        return one
    if _result_alone_tells(read, ask):
        was_free, is_free = (result is Result.NONE_FOUND for result in (one.before, one.after))
        return replace(one, holds=was_free and not is_free, frees=is_free and not was_free)
    if one.before is one.after is Result.INCOMPLETE:
        return one
    was, will = (
        selectors.judged(read, ask, purpose, policy=held, stands=stands)
        for held, stands in zip(policy, both, strict=True)
    )
    return Change(
        one.technique,
        was.result or one.before,
        will.result or one.after,
        True,
        holds=was.allowed and not will.allowed,
        frees=was.held and not will.held,
    )


def _result_alone_tells(read: selectors.Known, ask: selectors.Ask) -> bool:
    """Whether the guard has nothing to weigh but the result: no decision, lift, move or policy noted before."""
    patient, technique, at = ask
    screening = read.in_force(patient, at)
    return (
        screening is not None
        and not screening.policy.startswith(policies.OLD_NOTE)
        and not read.lifts.get(patient)
        and not read.moves.get(patient)
        and all(one.technique != technique for one in read.decisions.get(patient, ()))
    )
