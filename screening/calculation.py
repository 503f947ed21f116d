"""The calculation screening-result: answers in, results out, as whoever audits the service calls it."""

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from clinic.calculation import NotCalculable
from screening import bedside, rules
from screening.policy import rules as policies
from screening.table import Table, current

VERSION = "2"  # 2: policy on thresholds and shelf lives, the ages of the answers
OLDEST_MINUTES = 52_560_000  # a century: what is older is a slip
_ASKED_AT = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)  # only the ages count, so any instant serves


@dataclass(frozen=True, slots=True)
class Contribution:
    """One cell that counts against starting: what was answered, what that means, why, and by which source."""

    technique: str
    condition: str
    answer: str | float
    grade: str
    basis: str
    source: str


@dataclass(frozen=True, slots=True)
class ScreeningResult:
    """Results by technique, every contributing cell, and the keys left out that would settle something."""

    results: Mapping[str, str]
    contributions: tuple[Contribution, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the input: a row (words only) or a number with its unit and range."""

    key: str
    words: str
    group: str
    life: str
    allowed: str
    unit: str = ""


def screening_result(
    answers: Mapping[str, str | float | None],
    *,
    policy: Iterable[Mapping[str, Any] | policies.Rule] = (),
    technique: str | None = None,
    answered_minutes_ago: Mapping[str, float] | None = None,
    at_bedside: bool = False,
    table: Table | None = None,
) -> ScreeningResult:
    """The result per technique from the rule table in force; where each grade comes from: ``sources``.

    Args:
        answers: by key of ``input_keys()``: yes, no, unknown, not_measured, no_reason_to_measure, or a number in
            the key's unit. ``None`` means not measured. A key left out counts as unknown and stands in
            ``missing`` unless the row's number, or the number's rows, settle it.
        policy: local rules, stricter than the table: {kind: cell, condition, technique, grade, reason?},
            {kind: threshold, condition, number, value, technique?, reason?} or
            {kind: shelf_life, life, minutes, reason?}; without a kind it is a cell's.
        technique: only this one; all when left out.
        answered_minutes_ago: how old an answer is, by its key; one that is left out was given just now.
        at_bedside: the result for beginning: an answer past its shelf life counts as unknown, a finding goes on
            barring. Without it every answer counts as it stands, whatever its age.
        table: another table than the one in force.

    Raises:
        NotCalculable: unknown_field, wrong_type, out_of_range, missing, or inconsistent when a row and its
            number disagree, or when there is a reason to measure what is said to have none.
    """
    table = table or current()
    if technique is not None and technique not in table.techniques:
        raise NotCalculable(
            "/technique",
            "out_of_range",
            "No such technique.",
            allowed=", ".join(table.techniques),
            got=technique,
        )
    held = policies.effective(table, [_rule(rule, place, table) for place, rule in enumerate(policy)])
    ages = answered_minutes_ago or {}
    if not isinstance(ages, Mapping):
        raise NotCalculable("/answered_minutes_ago", "wrong_type", "The ages are given by key.", got=ages)
    if not isinstance(at_bedside, bool):
        raise NotCalculable("/at_bedside", "wrong_type", "It is true or false.", got=at_bedside)
    for key, age in ages.items():
        _check_age(key, age, answers, table)
    given = {
        key: rules.Answer(
            rules.NOT_MEASURED if value is None else value,
            _ASKED_AT - dt.timedelta(minutes=float(ages.get(key, 0))),
        )
        for key, value in answers.items()
    }
    rules.check(given, table)
    rules.check_unmeasured(given, table)
    wanted = None if technique is None else (technique,)
    if at_bedside:
        stands = bedside.stands(given, held, at=_ASKED_AT, techniques=wanted)
        found = {key: one.begin for key, one in stands.items()}
    else:
        found = rules.screen(given, held, techniques=wanted)
    return ScreeningResult(
        results={key: str(one.result) for key, one in found.items()},
        contributions=tuple(_shown(part, held) for one in found.values() for part in one.contributions),
        missing=tuple(dict.fromkeys(key for one in found.values() for key in one.missing)),
    )


def input_keys(table: Table | None = None) -> tuple[Key, ...]:
    """Every key that an answer may have, with the row's words: one per row, then one per number."""
    table = table or current()
    rows = tuple(
        Key(one.key, one.words, table.groups[one.group], str(one.life), ", ".join(rules.WORDS))
        for one in table.conditions.values()
    )
    numbers = tuple(
        Key(
            one.key,
            one.words,
            table.groups[one.group],
            str(one.life),
            f"{one.hard_low:g}..{one.hard_high:g}, {', '.join(rules.NUMBER_WORDS)}",
            one.unit,
        )
        for one in table.numbers.values()
    )
    return rows + numbers


def techniques(table: Table | None = None) -> Mapping[str, str]:
    """Technique keys with their words."""
    return (table or current()).techniques


def sources(table: Table | None = None) -> tuple[str, ...]:
    """Every document behind the table, as cited."""
    return tuple(one.citation for one in (table or current()).sources.values())


def example() -> dict[str, object]:
    """An input that shows each kind of answer: every row no but a few."""
    table = current()
    fed = {key for number in table.numbers.values() for key in number.conditions}
    answers: dict[str, str | float] = {key: rules.NO for key in table.conditions if key not in fed}
    answers |= {
        "haemoptysis_24h_ml": 8,
        "icp_mmhg": rules.NO_REASON,
        "platelets_10e9_per_l": 210,
        "gestation_weeks": rules.NO_REASON,
        "age_years": 47,
        "minutes_since_meal": 120,
        "vital_capacity_ml_per_kg": rules.NO_REASON,
        "days_since_surgery": 200,
        "epistaxis": rules.UNKNOWN,
    }
    return {
        "answers": answers,
        "policy": [
            {"kind": "cell", "condition": "chest_wall_pain", "technique": "drainage", "grade": "R"},
            {
                "kind": "threshold",
                "condition": "platelets_20_to_49",
                "number": "platelets_10e9_per_l",
                "value": 60,
            },
            {
                "kind": "shelf_life",
                "life": "now",
                "minutes": 30,
                "reason": "Answers change within the hour here",
            },
        ],
        "answered_minutes_ago": {"epistaxis": 45, "minutes_since_meal": 20},
        "at_bedside": True,
    }


def _rule(said: Mapping[str, Any] | policies.Rule, place: int, table: Table) -> policies.Rule:
    at = f"/policy/{place}"
    try:
        if isinstance(said, Mapping):
            rule = policies.from_plain(said)
        elif isinstance(said, policies.Rule):
            rule = said
        else:
            raise NotCalculable("", "wrong_type", "A policy is an object.", got=said)
        policies.check(rule, table)
    except NotCalculable as error:
        raise NotCalculable(
            f"{at}{error.field}", error.code, error.message, allowed=error.allowed, got=error.got
        ) from error
    return rule


def _check_age(key: str, age: object, answers: Mapping[str, object], table: Table) -> None:
    at = f"/answered_minutes_ago/{key}"
    if key not in table.conditions and key not in table.numbers:
        raise NotCalculable(at, "unknown_field", f"The rule table has no {key}.")
    if isinstance(age, bool) or not isinstance(age, (int, float)):
        raise NotCalculable(at, "wrong_type", "An age is a number of minutes.", got=age)
    if key not in answers:
        raise NotCalculable(at, "inconsistent", f"{key} has an age, but no answer.")
    if not 0 <= age <= OLDEST_MINUTES:
        raise NotCalculable(
            at, "out_of_range", "An answer lies in the past.", allowed=f"0..{OLDEST_MINUTES}", got=age
        )


def _shown(part: rules.Contribution, table: Table) -> Contribution:
    cell = part.cell
    return Contribution(
        technique=cell.technique,
        condition=cell.condition,
        answer=rules.UNKNOWN if part.out_of_date else part.answer,
        grade=str(cell.grade),
        basis=cell.reason,
        source="; ".join(table.sources[key].citation for key in cell.sources),
    )
