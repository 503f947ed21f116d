"""The form of the bedside check: the rows that bear on one technique now, and one choice for all that are not so."""

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django import forms

from clinic import formats
from clinic.forms import SomeOf
from screening import check, rules, words
from screening.forms import NONE_APPLIES, Line, ScreeningForm
from screening.models import Screening
from screening.table import Table


class CheckForm(ScreeningForm):
    """Yes, no, unknown for each row that was asked; what was not asked carries over with its own time.

    `asked` goes with the page and comes back: the choice for the rest covers what the page showed, and nothing that
    went out of date since.
    """

    def __init__(
        self,
        data: Any,
        *,
        table: Table,
        previous: Screening | None,
        at: dt.datetime,
        asked: Iterable[str],
        **kwargs: Any,
    ) -> None:
        sent = check.askable(str(data.get("asked", "")).split(), table) if data is not None else ()
        self.rows = sent or check.askable(asked, table)
        super().__init__(data, table=table, previous=previous, at=at, **kwargs)

    @property
    def found_lines(self) -> list[Line]:
        """What was found last time, with the numbers that found it: each is answered for itself."""
        return self._lines(self.found_numbers, [key for key in self.rows if key in self.found])

    @property
    def rest(self) -> list[tuple[str, list[Line]]]:
        """All other questions by group, numbers before rows."""
        lines = self._lines(
            [key for key in self.numbers if key not in self.found_numbers],
            [key for key in self.rows if key not in self.found],
        )
        by_group: dict[str, list[Line]] = {}
        for line in lines:
            of = self.table.conditions.get(line.key) or self.table.numbers[line.key]
            by_group.setdefault(of.group, []).append(line)
        return [(said, by_group[key]) for key, said in self.table.groups.items() if key in by_group]

    @property
    def none_line(self) -> Any:
        """The choice for the rest; None where each question was found last time."""
        return self["none"] if "none" in self.fields else None

    def clean(self) -> dict[str, Any]:
        """Something must be answered."""
        cleaned = super().clean() or self.cleaned_data
        if not self.errors and not self.answers:
            self.add_error(
                "none" if "none" in self.fields else None,
                "Answer the questions, or say that you checked them and none applies",
            )
        return cleaned

    @property
    def kept(self) -> set[str]:
        """Every earlier answer that the new ones leave standing."""
        return set(check.to_keep(self.earlier, self.answers, self.table))

    @property
    def answers(self) -> dict[str, str | float]:
        """What was answered now: marked, typed, or covered by the choice for the rest."""
        given = {key: self._given(key) for key in (*self.numbers, *self.rows)}
        found = {key: value for key, value in given.items() if value is not None}
        return found | dict.fromkeys(self.by_group, rules.NO)

    @property
    def by_group(self) -> set[str]:
        """The rows left open that the choice for the rest answers no: none that was found before."""
        if not self.cleaned_data.get("none"):
            return set()
        return {
            key
            for key in self.rows
            if key not in self.found
            and self._given(key) is None
            and not any(
                self._given(number) is not None for number in self.table.conditions[key].deciding_numbers
            )
        }

    def _add_questions(self) -> None:
        self.numbers = check.numbers_of(self.rows, self.table)
        self.found = check.found_before(self.rows, self.earlier, self.table)
        self.found_numbers = [
            key for key in self.numbers if self.found.intersection(self.table.numbers[key].conditions)
        ]
        for key in self.numbers:
            self._add_number(self.table.numbers[key])
        for key in self.rows:
            self._add_row(self.table.conditions[key])
        if set(self.rows) - self.found:
            self.fields["none"] = SomeOf(
                label="All other questions", choices=[("checked", NONE_APPLIES)], required=False
            )
        self.fields["asked"] = forms.CharField(
            required=False, widget=forms.HiddenInput, initial=" ".join(self.rows)
        )

    def _lines(self, numbers: Iterable[str], rows: Iterable[str]) -> list[Line]:
        found = [
            Line(
                key,
                self[key],
                answers=tuple(self.table.words(row) for row in self.table.numbers[key].conditions),
            )
            for key in numbers
        ]
        return found + [Line(key, self[key]) for key in rows]

    def _age_words(self, key: str) -> str:
        """Only what was found last time, and the last number: a page full of "last answer no" is not read."""
        answer = self.earlier.get(key)
        if answer is None or answer.at is None or (isinstance(answer.value, str) and key not in self.found):
            return ""
        age = formats.spell(max(self.at - answer.at, dt.timedelta(0)))
        return f"Last answer {words.answer(key, answer.value, self.table)}, {age} ago"

    def _out_of_date(self, key: str, answer: rules.Answer) -> bool:
        # Nothing that is asked is filled in.
        return True
