"""The forms of local policy: what is made stricter, how, why, and when it is looked at again."""

from typing import Any

from django import forms

from clinic.forms import ClinicForm, DateField, NumberField, OneOf
from screening import table
from screening.policy import rules
from screening.policy.models import PolicyKind, PolicyRule
from screening.table import Grade, Life, Table
from screening.words import GRADE_WORDS, LIFE_WORDS

SCALE = 3


class _RuleForm(ClinicForm):
    """What every rule has; the kind's own fields come first."""

    reason = forms.CharField(
        label="The reason, shown wherever the rule counts", max_length=300, widget=forms.Textarea({"rows": 2})
    )
    review_on = DateField(label="To be looked at again on", called="the review date", not_past=True)
    rule_id = forms.UUIDField(widget=forms.HiddenInput)
    replacing = forms.CharField(required=False, widget=forms.HiddenInput)

    @property
    def rule(self) -> rules.Rule:
        """The rule as the calculation takes it."""
        raise NotImplementedError


def _rows(of: Table) -> list[Any]:
    groups = [
        (said, [(row.key, row.words) for row in of.conditions.values() if row.group == key])
        for key, said in of.groups.items()
    ]
    return [("", "Choose one"), *groups]


class CellForm(_RuleForm):
    """A contraindication counts more strictly for one technique."""

    condition = forms.ChoiceField(
        label="Contraindication or precaution", choices=lambda: _rows(table.current())
    )
    technique = forms.ChoiceField(
        label="Technique", choices=lambda: [("", "Choose one"), *table.current().techniques.items()]
    )
    grade = OneOf(
        label="Here it means",
        called="what it means",
        choices=[
            (grade.value, GRADE_WORDS[grade].capitalize()) for grade in (Grade.RELATIVE, Grade.ABSOLUTE)
        ],
        coerce=Grade,
    )
    field_order = ("condition", "technique", "grade")

    @property
    def rule(self) -> rules.Rule:
        given = self.cleaned_data
        return rules.CellRule(
            condition=given["condition"],
            technique=given["technique"],
            grade=given["grade"],
            reason=given["reason"],
        )


def _thresholds() -> list[tuple[str, str]]:
    of = table.current()
    found = []
    for one in rules.movable(of):
        whom = f", {of.techniques[one.technique]}" if one.technique else ""
        said = f"{of.numbers[one.number].words} {rules.bound_words(one, of)}{whom}: {of.words(one.condition)}"
        found.append((f"{one.condition} {one.number} {one.technique}".strip(), said))
    return [("", "Choose one"), *found]


class ThresholdForm(_RuleForm):
    """A number counts from another value."""

    threshold = forms.ChoiceField(label="Threshold, as the table has it", choices=_thresholds)
    technique = forms.ChoiceField(
        label="For one technique alone",
        required=False,
        choices=lambda: [("", "For all that the threshold answers for"), *table.current().techniques.items()],
    )
    value = NumberField(
        label="Here it counts from, in the same unit", unit="", places=1, scale=SCALE, hard=(-1000, 100000)
    )
    field_order = ("threshold", "technique", "value")

    @property
    def rule(self) -> rules.Rule:
        given = self.cleaned_data
        condition, number, *own = given["threshold"].split()
        return rules.ThresholdRule(
            condition=condition,
            number=number,
            technique=own[0] if own else given["technique"],
            value=given["value"] / 10**SCALE,
            reason=given["reason"],
        )


class ShelfLifeForm(_RuleForm):
    """Answers count for a shorter time."""

    life = OneOf(
        label="Answers that are",
        called="which answers",
        choices=[(life.value, LIFE_WORDS[life].capitalize()) for life in (Life.NOW, Life.TODAY)],
        coerce=Life,
    )
    minutes = NumberField(label="Count for", unit="min", hard=(rules.SHORTEST_LIFE_MINUTES, 1439))
    field_order = ("life", "minutes")

    @property
    def rule(self) -> rules.Rule:
        given = self.cleaned_data
        return rules.ShelfLifeRule(life=given["life"], minutes=given["minutes"], reason=given["reason"])


FORMS: dict[str, type[_RuleForm]] = {
    PolicyKind.CELL: CellForm,
    PolicyKind.THRESHOLD: ThresholdForm,
    PolicyKind.SHELF_LIFE: ShelfLifeForm,
}


class EndForm(ClinicForm):
    """Why a rule ends."""

    reason = forms.CharField(label="Why it ends", max_length=300, widget=forms.Textarea({"rows": 2}))


def as_entered(row: PolicyRule) -> dict[str, Any]:
    """A stored rule by the names of its form's fields, as they are cleaned: what a change of it starts with."""
    kept: dict[str, Any] = {"reason": row.reason, "review_on": row.review_on}
    if row.kind == PolicyKind.CELL:
        return kept | {"condition": row.condition, "technique": row.technique, "grade": row.grade}
    if row.kind == PolicyKind.SHELF_LIFE:
        return kept | {"life": row.life, "minutes": row.minutes}
    listed = rules.listed_threshold(table.current(), row.condition, row.number, row.technique)
    return kept | {
        "threshold": f"{row.condition} {row.number} {listed.technique}".strip(),
        "technique": "" if listed.technique else row.technique,
        "value": row.value,
    }
