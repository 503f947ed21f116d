"""The calculation screening-result: answers in, results out, as whoever audits the service calls it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from clinic.calculation import NotCalculable
from screening import rules
from screening.table import Grade, Table, current

VERSION = "1"


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
    policy: Sequence[Mapping[str, str] | rules.Tightening] = (),
    technique: str | None = None,
    table: Table | None = None,
) -> ScreeningResult:
    """The result per technique from the rule table in force; where each grade comes from: ``sources``.

    Args:
        answers: by key of ``input_keys()``: yes, no, unknown, not_measured, no_reason_to_measure, or a number in
            the key's unit. ``None`` means not measured. A key left out counts as unknown and stands in
            ``missing`` unless the row's number, or the number's rows, settle it.
        policy: local rules {condition, technique, grade, reason?}, stricter than the table.
        technique: only this one; all when left out.
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
    given = {
        key: rules.Answer(rules.NOT_MEASURED if value is None else value) for key, value in answers.items()
    }
    rules.check(given, table)
    rules.check_unmeasured(given, table)
    found = rules.screen(
        given,
        table,
        policy=tuple(_tightening(rule, place, table) for place, rule in enumerate(policy)),
        techniques=None if technique is None else (technique,),
    )
    return ScreeningResult(
        results={key: str(one.result) for key, one in found.items()},
        contributions=tuple(_shown(part, table) for one in found.values() for part in one.contributions),
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
    return {"answers": answers, "policy": []}


def _tightening(rule: Mapping[str, str] | rules.Tightening, place: int, table: Table) -> rules.Tightening:
    if isinstance(rule, rules.Tightening):
        return rule
    if not isinstance(rule, Mapping):
        raise NotCalculable(f"/policy/{place}", "wrong_type", "A policy is an object.", got=rule)
    for name in ("condition", "technique", "grade"):
        if name not in rule:
            raise NotCalculable(f"/policy/{place}/{name}", "missing", f"A policy names its {name}.")
    for name in rule:
        if name not in ("condition", "technique", "grade", "reason"):
            raise NotCalculable(f"/policy/{place}/{name}", "unknown_field", f"A policy has no {name}.")
    for name, allowed in (("condition", table.conditions), ("technique", table.techniques)):
        if rule[name] not in allowed:
            raise NotCalculable(
                f"/policy/{place}/{name}",
                "out_of_range",
                f"No such {name}.",
                got=rule[name],
                allowed=f"one of the table's {name}s",
            )
    if rule["grade"] not in set(Grade):
        raise NotCalculable(
            f"/policy/{place}/grade",
            "out_of_range",
            "A grade is A, R or N.",
            allowed="A, R, N",
            got=rule["grade"],
        )
    return rules.Tightening(
        rule["condition"], rule["technique"], Grade(rule["grade"]), rule.get("reason", "")
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
