"""Whether a technique may be treated now, and if not, why: pure, asked again each time, never stored."""

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from uuid import UUID

from clinic.calculation import NotCalculable
from screening import bedside, rules, words
from screening.lifts import rules as lifting
from screening.rules import Answer, Contribution, Result
from screening.table import Table


class Purpose(StrEnum):
    """What the guard is asked for. Only begin and record want every answer within its shelf life."""

    ACTIVATE = "activate"
    SCHEDULE = "schedule"
    BEGIN = "begin"
    RECORD = "record"
    DISPLAY = "display"


AT_THE_BEDSIDE = frozenset({Purpose.BEGIN, Purpose.RECORD})


class Bar(StrEnum):
    """What stands in the way, the strictest where there are several."""

    NOTHING = ""
    SCREENING_MISSING = "screening_missing"
    INCOMPLETE = "incomplete"
    OUT_OF_DATE = "out_of_date"
    DO_NOT_START = "do_not_start"
    CARE_SETTING_CHANGED = "care_setting_changed"
    DECISION_WANTED = "decision_wanted"
    DECIDED_AGAINST = "decided_against"


CLINICAL_BARS = frozenset({Bar.DO_NOT_START, Bar.DECISION_WANTED, Bar.DECIDED_AGAINST})


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenScreening:
    """A screening as the guard needs it.

    Attributes:
        policy: its note of the local policy under which it was made.
        whole_at: when all of it was last gone through; a bedside check or a finding carries it over.
    """

    id: UUID
    at: dt.datetime
    answers: Mapping[str, Answer]
    policy: str = ""
    whole_at: dt.datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenDecision:
    """A decision as the guard needs it; one that ended counts until then, as for a treatment recorded later."""

    id: UUID
    technique: str
    proceed: bool
    reason: str
    conditions: str
    stop_below_spo2_percent: int | None
    at: dt.datetime
    expires_at: dt.datetime
    by: str
    fingerprint: str
    ended_at: dt.datetime | None = None

    def stands(self, at: dt.datetime) -> bool:
        """Whether it counts at that time: made by then, neither run out nor ended."""
        return self.at <= at < self.expires_at and not self.had_ended(at)

    def had_ended(self, at: dt.datetime) -> bool:
        """Whether it had been replaced or taken back by then."""
        return self.ended_at is not None and self.ended_at <= at


@dataclass(frozen=True, slots=True, kw_only=True)
class Guard:
    """The answer to "may this technique be treated at this time?".

    Attributes:
        allowed: nothing stands in the way. For `record` this never refuses anything: where it is False the
            treatment is stored and flagged "given outside the rules".
        result: the screening's result for the technique; None without a screening.
        bar: what stands in the way, for code; `held_because` says it in words, one line per reason.
        because: every cell that counts against starting.
        since: when the earliest answer that bars was given; None where no answer bars.
        who_decides, decide_by: from the open flag, where there is one.
        missing: keys of rows still open; `ask_again` rows whose answer will be out of date at `at` and is asked
            again at the bedside, without holding anything ahead of time.
        screen_again: why the whole must be screened again before the next treatment; empty where it need not.
        decision: the decision that lets it proceed, or that was made against it.
        lifts: those that count here: a "do not start" that is lifted for this patient, its decision given.
    """

    technique: str
    at: dt.datetime
    purpose: Purpose
    allowed: bool
    result: Result | None
    bar: Bar = Bar.NOTHING
    held_because: tuple[str, ...] = ()
    because: tuple[Contribution, ...] = ()
    since: dt.datetime | None = None
    who_decides: str = ""
    decide_by: dt.datetime | None = None
    missing: tuple[str, ...] = ()
    ask_again: tuple[str, ...] = ()
    screen_again: str = ""
    decision: GivenDecision | None = None
    lifts: tuple[lifting.Lift, ...] = ()
    screening_id: UUID | None = None
    fingerprint: str = ""

    @property
    def held(self) -> bool:
        return not self.allowed

    @property
    def findings(self) -> tuple[Contribution, ...]:
        """What was found, as against what is open."""
        return tuple(part for part in self.because if part.result is not Result.INCOMPLETE)

    @property
    def wants_somebody(self) -> bool:
        """A finding holds it, whatever else is open, and nobody has decided on exactly these findings."""
        given = self.decision is not None or lifting.all_given(self.findings, self.lifts)
        return self.held and bool(self.findings) and not given

    @property
    def clinical(self) -> bool:
        """Held by a finding or a decision that is wanting, rather than by a screening that was not done."""
        return self.bar in CLINICAL_BARS


def fingerprint(technique: str, parts: Iterable[Contribution], table: Table) -> str:
    """What a decision weighed: the findings with their answers and the table's version, and nothing else.

    A decision counts as long as exactly these stand; another finding, value or table needs another decision.
    """
    weighed = sorted(
        (
            part.cell.condition,
            part.answer if isinstance(part.answer, str) else f"{part.answer:g}",
            part.cell.grade,
        )
        for part in parts
        if part.result is not Result.INCOMPLETE
    )
    return hashlib.sha256(json.dumps([table.version, technique, weighed]).encode()).hexdigest()


def judge(
    technique: str,
    at: dt.datetime,
    purpose: Purpose,
    *,
    screening: GivenScreening | None,
    decisions: Sequence[GivenDecision],
    table: Table,
    lifts: Sequence[lifting.Lift] = (),
    stands: bedside.Stands | None = None,
) -> Guard:
    """Invariants 3 and 4: what holds a technique at a time, for a purpose.

    Args:
        screening: the one in force at that time.
        decisions: of this patient and technique, newest first; each counts until it ran out or ended.
        table: the rule table as it holds at that time under local policy.
        lifts: of this patient; each counts while it stands, for the answer it was made for.
        stands: what the screening's answers say of the technique at that time by this table, where known already.
    """
    if screening is None:
        return Guard(
            technique=technique,
            at=at,
            purpose=purpose,
            allowed=False,
            result=None,
            bar=Bar.SCREENING_MISSING,
            held_because=("No screening has been recorded",),
        )
    try:
        if stands is None:
            stands = bedside.stands(screening.answers, table, techniques=[technique], at=at)[technique]
    except NotCalculable as error:
        return Guard(
            technique=technique,
            at=at,
            purpose=purpose,
            allowed=False,
            result=Result.INCOMPLETE,
            bar=Bar.INCOMPLETE,
            held_because=(f"The screening must be repeated: {error.message}",),
            since=screening.at,
            screening_id=screening.id,
        )
    ahead, standing = lifting.lifted(stands.ahead, lifts, at)
    by_age = stands.by_age
    strict = purpose in AT_THE_BEDSIDE
    parts = (*ahead.contributions, *by_age) if strict else ahead.contributions
    result = rules.worst(part.result for part in parts)
    found = Guard(
        technique=technique,
        at=at,
        purpose=purpose,
        allowed=result is Result.NONE_FOUND,
        result=result,
        because=parts,
        since=_since(parts, screening) if parts else None,
        missing=tuple(dict.fromkeys(p.cell.condition for p in parts if p.result is Result.INCOMPLETE)),
        ask_again=() if strict else tuple(part.cell.condition for part in by_age),
        lifts=standing,
        screening_id=screening.id,
        fingerprint=fingerprint(technique, ahead.contributions, table),
    )
    if result is Result.NONE_FOUND:
        return found
    if result is Result.CLINICIAN_MUST_DECIDE:
        return _by_decision(found, decisions, at, table, screening)
    bar = Bar.DO_NOT_START
    if result is Result.INCOMPLETE:
        open_rows = [part for part in parts if part.result is Result.INCOMPLETE]
        bar = Bar.OUT_OF_DATE if all(part.out_of_date for part in open_rows) else Bar.INCOMPLETE
        # What was decided on the findings stays decided while another row is open.
        found = replace(found, decision=_standing(found, decisions, at))
    return replace(found, bar=bar, held_because=_lines(found, table, screening))


def after_move(found: Guard, screening: GivenScreening | None, moved_at: dt.datetime | None) -> Guard:
    """After a change of care setting begin and record want all of the screening gone through again.

    Ahead of time nothing is held by it; it is said, as for answers that are asked again at the bedside.

    Args:
        found: what `judge` says.
        screening: the one it was judged by.
        moved_at: the last change of care setting up to the time asked about; None where there was none.
    """
    if screening is None or moved_at is None:
        return found
    if screening.whole_at is not None and screening.whole_at >= moved_at:
        return found
    from clinic import formats  # reads the clinic's time zone, so only where a time is written

    said = f"The care setting changed {formats.date_time(moved_at)}: screen again"
    found = replace(found, screen_again=said)
    if found.purpose not in AT_THE_BEDSIDE:
        return found
    if found.bar is Bar.DO_NOT_START:
        return replace(found, held_because=(*found.held_because, said))
    return replace(
        found,
        allowed=False,
        result=rules.worst((found.result or Result.INCOMPLETE, Result.INCOMPLETE)),
        bar=Bar.CARE_SETTING_CHANGED,
        held_because=(said, *found.held_because),
        since=moved_at if found.since is None else min(found.since, moved_at),
    )


def _standing(found: Guard, decisions: Sequence[GivenDecision], at: dt.datetime) -> GivenDecision | None:
    """The decision that counts at that time on exactly these findings."""
    return next(
        (
            one
            for one in decisions
            if one.fingerprint == found.fingerprint and one.technique == found.technique and one.stands(at)
        ),
        None,
    )


def _by_decision(
    found: Guard,
    decisions: Sequence[GivenDecision],
    at: dt.datetime,
    table: Table,
    screening: GivenScreening,
) -> Guard:
    of_these = [
        one for one in decisions if one.fingerprint == found.fingerprint and one.technique == found.technique
    ]
    standing = next((one for one in of_these if one.stands(at)), None)
    if standing is not None and standing.proceed:
        return replace(found, allowed=True, decision=standing)
    lines = _lines(found, table, screening)
    if standing is not None:
        said = f"{standing.by} decided not to proceed: {standing.reason}"
        return replace(found, bar=Bar.DECIDED_AGAINST, decision=standing, held_because=(said, *lines))
    if lifting.all_given(found.because, found.lifts):
        return replace(found, allowed=True)
    if ended := next((one for one in of_these if one.expires_at <= at and not one.had_ended(at)), None):
        from clinic import formats  # reads the clinic's time zone, so only where a time is written

        lines = (f"The decision of {ended.by} ended {formats.date_time(ended.expires_at)}", *lines)
    return replace(found, bar=Bar.DECISION_WANTED, held_because=lines)


def _lines(found: Guard, table: Table, screening: GivenScreening) -> tuple[str, ...]:
    """One line per reason, the strictest first; open rows after the findings of the same strictness."""
    ordered = sorted(found.because, key=lambda part: -rules.SEVERITY[part.result])
    return tuple(
        dict.fromkeys(
            words.finding(part, table, age=_age(part, screening, found.at)) + _meaning(part, found.lifts)
            for part in ordered
        )
    )


def _meaning(part: Contribution, lifts: Sequence[lifting.Lift]) -> str:
    if part.result is Result.INCOMPLETE:
        return ""
    if any(one.condition == part.cell.condition for one in lifts):
        return ": lifted for this patient"
    return f": {words.GRADE_WORDS[part.cell.grade]}"


def _age(part: Contribution, screening: GivenScreening, at: dt.datetime) -> dt.timedelta | None:
    given = screening.answers.get(part.answered_by)
    if given is None or given.at is None or given.at > at:
        return None
    return at - given.at


def _since(parts: Sequence[Contribution], screening: GivenScreening) -> dt.datetime:
    times = (
        given.at if (given := screening.answers.get(part.answered_by)) and given.at else screening.at
        for part in parts
    )
    return min(times)
