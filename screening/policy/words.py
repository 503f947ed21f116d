"""How a local rule is said on pages, in flags and in the audit trail. No Django."""

from clinic import formats
from screening import words as said
from screening.policy import rules
from screening.policy.rules import CellRule, Rule, ThresholdRule
from screening.table import Table


def of(rule: Rule, table: Table) -> str:
    """What the rule makes stricter and how, such as "Osteoporosis, PEP: a clinician must decide"."""
    if isinstance(rule, CellRule):
        row = table.words(rule.condition)
        return f"{row}, {table.techniques[rule.technique]}: {said.GRADE_WORDS[rule.grade]}"
    if isinstance(rule, ThresholdRule):
        number = table.numbers[rule.number]
        of_one = f" for {table.techniques[rule.technique]}" if rule.technique else ""
        value = formats.quantity(rule.value, number.unit)
        return (
            f"{number.words} {_from(rule, table)} {value} counts as '{table.words(rule.condition)}'{of_one}"
        )
    return f"Answers {said.LIFE_WORDS[rule.life]}: count for {formats.minutes(rule.minutes)}"


def listed(rule: Rule, table: Table) -> str:
    """What the published table says instead."""
    if isinstance(rule, CellRule):
        return said.GRADE_WORDS[table.cells[rule.condition, rule.technique].grade]
    if isinstance(rule, ThresholdRule):
        threshold = rules.listed_threshold(table, rule.condition, rule.number, rule.technique)
        return rules.bound_words(threshold, table)
    return formats.minutes(int(table.shelf_lives[rule.life].total_seconds() // 60))


def _from(rule: ThresholdRule, table: Table) -> str:
    threshold = rules.listed_threshold(table, rule.condition, rule.number, rule.technique)
    return rules.bound_words(threshold, table).split(" ")[0]
