"""The screening form, built from the rule table, and the form of a decision."""

import datetime as dt
import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal as Number
from types import MappingProxyType
from typing import Any

from django import forms

from clinic import formats
from clinic.calculation import NotCalculable
from clinic.forms import ClinicForm, MomentField, NumberField, OneOf, SomeOf
from screening import rules, selectors, words
from screening.check import NOT_ASKED, found_before, not_measured
from screening.decision_reasons import AGAINST, EITHER, PROCEED
from screening.decisions.offers import Offer
from screening.lifts.rules import Lift, lifted
from screening.models import Screening
from screening.questions import Kind, Question, Settling, in_order
from screening.table import Condition, Table
from screening.table import Number as TableNumber

ROW_CHOICES = [(rules.YES, "Yes"), (rules.NO, "No"), (rules.UNKNOWN, "Unknown")]
NUMBER_CHOICES = [
    (rules.UNKNOWN, "Unknown"),
    (rules.NOT_MEASURED, "Wanted, not measured"),
    (rules.NO_REASON, "No reason to measure"),
]
NONE_APPLIES = "I checked these: none applies but what is marked yes"
SCALE = 3  # numbers are stored in thousandths


def word_of(key: str) -> str:
    """The name of the field that holds a number's word."""
    return f"{key}_word"


def none_of(group: str) -> str:
    """The name of the tick "I checked these, none apply" of a group."""
    return f"none_{group}"


@dataclass(frozen=True)
class Line:
    """One question as the template shows it: its field, and for a number the field of its word."""

    key: str
    bound: Any
    word: Any = None
    trigger: str = ""
    answers: tuple[str, ...] = ()
    informs: str = ""
    aged: bool = False


@dataclass
class Group:
    """The questions of one group: those to ask now, and those whose earlier answer still stands.

    Where it settles an ordered technique, the questions that bear on it stand ``first``.
    """

    key: str
    words: str
    none: Any
    to_ask: list[Line] = field(default_factory=list)
    standing: list[Line] = field(default_factory=list)
    first: list[Line] = field(default_factory=list)
    bears_on: str = ""

    @property
    def show_standing(self) -> bool:
        """Whether something among the earlier answers is wrong and must be in view."""
        return any(line.bound.errors or (line.word and line.word.errors) for line in self.standing)


@dataclass
class Alone:
    """Questions that are asked by themselves, each answered with its own choice."""

    lines: list[Line]


@dataclass
class Part:
    """What settles one ordered technique, what could bar it first: whole groups, and questions by themselves."""

    words: str
    count: str
    items: list[Group | Alone]


class ScreeningForm(ClinicForm):
    """Every row as yes, no, unknown; every number as a number, or the word why there is none.

    Earlier answers that still stand are filled in with their age; left as they are, they keep their time. What
    settles the ``ordered`` techniques is asked first.
    """

    mark_optional = False

    def __init__(
        self,
        *args: Any,
        table: Table,
        previous: Screening | None,
        at: dt.datetime,
        ordered: Sequence[str] = (),
        lifts: Sequence[Lift] = (),
        measured: Mapping[str, str] = MappingProxyType({}),
        **kwargs: Any,
    ) -> None:
        """`lifts` are those of the patient; `measured` says by key what was measured elsewhere, as an offer."""
        self.lifts, self.measured = lifts, measured
        self.table, self.previous, self.at, self.ordered = table, previous, at, ordered
        self.earlier = selectors.answers_of(previous) if previous else {}
        self.standing = {
            key: answer
            for key, answer in self.earlier.items()
            if key not in NOT_ASKED and not self._out_of_date(key, answer) and answer.value != rules.UNKNOWN
        }
        self.found: frozenset[str] = frozenset()
        super().__init__(*args, **kwargs)
        self._add_questions()
        self.fields["based_on"] = forms.CharField(required=False, widget=forms.HiddenInput)
        self.fields["based_on"].initial = str(previous.pk) if previous else ""
        self.fields["screening_id"] = forms.UUIDField(widget=forms.HiddenInput)
        self.fields["asked_alone"] = forms.CharField(
            required=False, widget=forms.HiddenInput, initial=" ".join(self._alone())
        )

    @property
    def parts(self) -> list[Part]:
        """What settles the ordered techniques, one after the other."""
        return self._arranged[0]

    @property
    def groups(self) -> list[Group]:
        """All other questions in groups, in the order of the table."""
        return self._arranged[1]

    @functools.cached_property
    def _arranged(self) -> tuple[list[Part], list[Group]]:
        groups = self._grouped()
        parts = []
        for settling in self._settlings:
            items: list[Group | Alone] = []
            for question in settling.questions:
                if question.kind is Kind.GROUP:
                    if question.key in groups:
                        items.append(self._led(groups.pop(question.key), question, settling.technique))
                    continue
                line = _taken(question.key, groups.values())
                if line is None:
                    continue
                if items and isinstance(items[-1], Alone):
                    items[-1].lines.append(line)
                else:
                    items.append(Alone([line]))
            if items:
                asked = sum(len(one.lines) if isinstance(one, Alone) else 1 for one in items)
                count = formats.count(asked, "question settles", "questions settle")
                parts.append(Part(self.table.techniques[settling.technique], count, items))
        return parts, list(groups.values())

    @functools.cached_property
    def _settlings(self) -> tuple[Settling, ...]:
        """What settles each ordered technique, by the answers that are filled in."""
        known = [key for key in self.ordered if key in self.table.techniques]
        try:
            results = rules.screen(self.standing, self.table, techniques=known)
        except NotCalculable:
            return ()
        # What is lifted for this patient bars no longer: the rest is asked, or the technique could never begin.
        results = {key: lifted(one, self.lifts, self.at)[0] for key, one in results.items()}
        return in_order(results, self.standing, self.table, known).settlings

    def _alone(self) -> list[str]:
        """The rows that are asked by themselves: no group's tick, further down the page, answers them."""
        return [one.key for each in self._settlings for one in each.questions if one.kind is Kind.ROW]

    def _led(self, group: Group, question: Question, technique: str) -> Group:
        bearing = set(question.rows)
        group.first = [
            line
            for line in group.to_ask
            if line.key in bearing
            or (line.key in self.table.numbers and bearing & set(self.table.numbers[line.key].conditions))
        ]
        group.to_ask = [line for line in group.to_ask if line not in group.first]
        group.bears_on = self.table.techniques[technique]
        return group

    def _grouped(self) -> dict[str, Group]:
        """Every question in its group, numbers before rows."""
        found = {key: Group(key, said, self[none_of(key)]) for key, said in self.table.groups.items()}
        for number in self.table.numbers.values():
            if number.key in self.fields:
                line = Line(
                    number.key,
                    self[number.key],
                    self[word_of(number.key)],
                    number.trigger,
                    tuple(self.table.conditions[key].words for key in number.conditions),
                    number.informs,
                    self._aged(number.key),
                )
                self._place(found[number.group], line)
        for condition in self.table.conditions.values():
            if condition.key in self.fields:
                line = Line(condition.key, self[condition.key], aged=self._aged(condition.key))
                self._place(found[condition.group], line)
        return found

    def clean(self) -> dict[str, Any]:
        """A number and its word exclude each other."""
        cleaned = super().clean() or self.cleaned_data
        for key in self.table.numbers:
            if cleaned.get(key) is not None and cleaned.get(word_of(key)):
                self.add_error(key, "Give {the_name} as a number, or say why there is none, not both")
        for key in sorted(self._left_open()):
            if key in self.found:
                why = "it was so last time" if key not in self.wanted else "its number is wanted"
                self.add_error(key, f"Answer {{the_name}}: {why}, and the choice for all does not cover it")
        return cleaned

    @property
    def kept(self) -> set[str]:
        """The earlier answers that were left as they were filled in."""
        if self.previous is None or self.cleaned_data["based_on"] != str(self.previous.pk):
            return set()
        return {key for key, answer in self.standing.items() if self._given(key) == answer.value}

    @property
    def answers(self) -> dict[str, str | float]:
        """What was answered now: marked, typed, or covered by a group's tick."""
        found: dict[str, str | float] = {}
        for key in (*self.table.numbers, *self.table.conditions):
            value = self._given(key)
            if value is not None and key not in self.kept:
                found[key] = value
        return found | dict.fromkeys(self.by_group, rules.NO)

    @property
    def by_group(self) -> set[str]:
        """The rows left open that a group's tick answers no: none whose number was answered, or that was so before."""
        return self._left_open() - self.found

    def _left_open(self) -> set[str]:
        """The rows under a group's tick of which neither the row nor a number was answered."""
        alone = {*self._alone(), *self.cleaned_data.get("asked_alone", "").split()}
        return {
            condition.key
            for condition in self.table.conditions.values()
            if condition.key in self.fields
            and condition.key not in alone
            and self.cleaned_data.get(none_of(condition.group))
            and self._given(condition.key) is None
            and not any(self._given(number) is not None for number in condition.deciding_numbers)
        }

    @property
    def wanted(self) -> frozenset[str]:
        """Of what is answered for itself the rows that were not so: their number is wanted and was not measured."""
        return not_measured(self.found, self.earlier, self.table)

    @property
    def unusual(self) -> dict[str, str]:
        """Why a value outside its usual range is right, by key."""
        return {key: why for key, why in self.kept_reasons.items() if key in self.table.numbers}

    def _given(self, key: str) -> str | float | None:
        if key not in self.fields:
            return None
        value = self.cleaned_data.get(key)
        if key in self.table.numbers:
            if value is not None:
                whole, rest = divmod(value, 10**SCALE)
                return whole if rest == 0 else value / 10**SCALE
            value = self.cleaned_data.get(word_of(key))
        return value or None

    def _add_questions(self) -> None:
        for number in self.table.numbers.values():
            if number.key not in NOT_ASKED:
                self._add_number(number)
                self._add_word(number)
        for condition in self.table.conditions.values():
            if not NOT_ASKED.intersection(condition.numbers):
                self._add_row(condition)
        # What was so last time and is asked again is answered for itself: no tick denies it.
        asked = [key for key in self.table.conditions if key in self.fields and key not in self.standing]
        self.found = found_before(asked, self.earlier, self.table)
        for group in self.table.groups:
            self.fields[none_of(group)] = forms.BooleanField(label=NONE_APPLIES, required=False)

    def _add_number(self, number: TableNumber) -> None:
        answer = self.standing.get(number.key)
        value = answer.value if answer else None
        self.fields[number.key] = NumberField(
            label=number.words,
            unit=number.unit,
            places=1,
            scale=SCALE,
            hard=(_edge(number.hard_low), _edge(number.hard_high)),
            soft=(_edge(number.soft_low), _edge(number.soft_high)),
            required=False,
            help_text=". ".join(
                said for said in (self._age_words(number.key), self.measured.get(number.key)) if said
            ),
            initial=None if isinstance(value, str) or value is None else round(value * 10**SCALE),
        )

    def _add_word(self, number: TableNumber) -> None:
        answer = self.standing.get(number.key)
        value = answer.value if answer else ""
        self.fields[word_of(number.key)] = OneOf(
            label=f"{number.words}, no number because",
            choices=NUMBER_CHOICES,
            nothing="",
            required=False,
            initial=value if isinstance(value, str) else "",
        )

    def _add_row(self, condition: Condition) -> None:
        answer = self.standing.get(condition.key)
        self.fields[condition.key] = OneOf(
            label=condition.words,
            choices=ROW_CHOICES,
            nothing="",
            required=False,
            help_text=self._age_words(condition.key),
            initial=answer.value if answer else "",
        )

    def _age_words(self, key: str) -> str:
        answer = self.earlier.get(key)
        if answer is None or answer.at is None:
            return ""
        age = formats.spell(max(self.at - answer.at, dt.timedelta(0)))
        if key in self.standing:
            return f"Answered {formats.date_time(answer.at)}, {age} ago"
        return f"Last answer {words.answer(key, answer.value, self.table)}, asked {age} ago, ask again"

    def _aged(self, key: str) -> bool:
        """Whether an earlier answer is told that does not count any more."""
        answer = self.earlier.get(key)
        return answer is not None and answer.at is not None and key not in self.standing

    def _out_of_date(self, key: str, answer: rules.Answer) -> bool:
        of = self.table.conditions.get(key) or self.table.numbers[key]
        # What is asked before each treatment is never filled in, however young the answer is.
        return of.life == "now" or rules.expired(answer, of, self.table, self.at)

    def _place(self, group: Group, line: Line) -> None:
        (group.standing if line.key in self.standing else group.to_ask).append(line)


def _taken(key: str, groups: Iterable[Group]) -> Line | None:
    """Takes a question out of its group; None where it is not asked there."""
    for group in groups:
        for line in group.to_ask:
            if line.key == key:
                group.to_ask.remove(line)
                return line
    return None


def _edge(value: float) -> Number:
    return Number(f"{value:g}")


class DecisionForm(ClinicForm):
    """Proceed or not, why, on what conditions, until when."""

    proceed = OneOf(
        label="Decision",
        called="a decision",
        choices=[("yes", "Proceed"), ("no", "Do not proceed")],
        coerce=lambda v: v == "yes",
    )
    reason_code = forms.ChoiceField(
        label="The main reason",
        choices=[
            ("", "Choose one"),
            ("To proceed", [(key, said) for key, said in PROCEED.items() if key != "other"]),
            ("Not to proceed", [(key, said) for key, said in AGAINST.items() if key != "other"]),
            ("other", "Another reason"),
        ],
    )
    reason = forms.CharField(label="The reason in words", max_length=500, widget=forms.Textarea({"rows": 3}))
    conditions = forms.CharField(
        label="Conditions, such as positions to avoid or who must be present",
        max_length=500,
        required=False,
        widget=forms.Textarea({"rows": 2}),
    )
    stop_below_spo2_percent = NumberField(
        label="Stop below SpO2", unit="%", hard=(50, 100), soft=(80, 95), required=False
    )
    expires_at = MomentField(label="Counts until", called="the end", not_past=True)
    to_order_end = SomeOf(label="Or as long as the findings stay", choices=[], required=False)
    based_on = forms.UUIDField(widget=forms.HiddenInput)
    decision_id = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, offer: Offer | None = None, **kwargs: Any) -> None:
        """`offer` is given where only standing conditions are weighed and the technique is ordered."""
        super().__init__(*args, **kwargs)
        self.offer = offer
        field = self.fields["to_order_end"]
        if offer is None:
            del self.fields["to_order_end"]
        elif isinstance(field, SomeOf):
            field.choices = [("yes", offer.label)]
            field.help_text = offer.help_text

    @property
    def order_end(self) -> Any:
        """The choice to let it run to the order's end; None where it is not offered."""
        return self["to_order_end"] if self.offer else None

    def clean(self) -> dict[str, Any]:
        """The reason belongs to the decision; the order's end stands above the date."""
        cleaned = super().clean() or self.cleaned_data
        if cleaned.pop("to_order_end", None) and self.offer is not None:
            cleaned["expires_at"] = self.offer.until
            self.errors.pop("expires_at", None)
        proceed, code = cleaned.get("proceed"), cleaned.get("reason_code")
        if proceed is not None and code and code not in (PROCEED if proceed else AGAINST):
            self.add_error("reason_code", "Choose a reason that fits the decision")
        return cleaned

    def summary(self) -> list[tuple[str, str]]:
        """What was entered, for the page that confirms it; a blank reads "Not recorded"."""
        given: Mapping[str, Any] = self.cleaned_data
        stop = given["stop_below_spo2_percent"]
        return [
            ("Decision", "Proceed" if given["proceed"] else "Do not proceed"),
            ("Main reason", EITHER[given["reason_code"]]),
            ("Reason in words", given["reason"]),
            ("Conditions", formats.or_not_recorded(given["conditions"])),
            ("Stop below SpO2", formats.quantity(stop, "%")),
            ("Counts until", formats.date_time(given["expires_at"])),
        ]


def posted(form: forms.BaseForm, data: Any, *, without: Iterable[str]) -> list[tuple[str, str]]:
    """Everything that was sent, to be sent again by the page that confirms it."""
    names = [name for name in data if name not in set(without)]
    return [(name, value) for name in names for value in data.getlist(name)]
