"""The result hangs on no order: of the answers, of the rows in the data files, of the techniques asked for.

And invariant 2, where it meets people: the guard, with ages, never becomes less strict when an answer gets worse or
older. ("Monotone safety: no -> yes, no -> unknown, or a number moving in its declared direction of harm never makes
any result less strict": design.md.)
"""

import csv
import datetime as dt
import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from screening import holds, rules
from screening import table as tables
from screening.rules import Answer
from tests.screening.test_rules import ORDER, ROWS, TABLE, WORD, answer_sets, numbers, screened

NOW = dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC)
TECHNIQUES = list(TABLE.techniques)
FILES = ("conditions.csv", "numbers.csv", "cells.csv", "thresholds.csv", "sources.csv")
# The direction of harm, typed from the published texts: where more is worse, and where less is.
MORE_IS_WORSE = {"icp_mmhg", "haemoptysis_24h_ml", "haemoptysis_days_over_100_ml", "gestation_weeks"}
LESS_IS_WORSE = {
    "platelets_10e9_per_l", "age_years", "minutes_since_meal", "vital_capacity_ml_per_kg", "days_since_surgery",
    "peak_cough_flow_l_per_min",
}  # fmt: skip


class Shuffled:
    """A table that a failing example does not print whole."""

    def __init__(self, table):
        self.table = table

    def __repr__(self):
        return "the shuffled table"


@pytest.fixture(scope="module", params=range(3))
def shuffled(request, tmp_path_factory):
    """The same table from files whose rows, and whose techniques, stand in another order."""
    directory = tmp_path_factory.mktemp("shuffled")
    shuffler = random.Random(request.param)  # noqa: S311 - an order, not a secret
    for name in FILES:
        with (tables.DIRECTORY / name).open(encoding="utf-8", newline="") as lines:
            reader = csv.DictReader(lines)
            rows = list(reader)
        shuffler.shuffle(rows)
        with (directory / name).open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, reader.fieldnames)
            writer.writeheader()
            writer.writerows(rows)
    text = (tables.DIRECTORY / "table.toml").read_text(encoding="utf-8")
    before, _, rest = text.partition("[techniques]\n")
    named, _, after = rest.partition("\n\n")
    lines = named.splitlines()
    shuffler.shuffle(lines)
    (directory / "table.toml").write_text(
        f"{before}[techniques]\n" + "\n".join(lines) + f"\n\n{after}", encoding="utf-8"
    )
    loaded = tables.load(directory)
    assert list(loaded.conditions) != list(TABLE.conditions)
    assert list(loaded.techniques) != TECHNIQUES
    return Shuffled(loaded)


def told(found):
    """What a result says, without the order in which it says it."""
    return {
        technique: (
            one.result,
            {(p.cell.condition, p.result, p.answer, p.out_of_date, p.left_out) for p in one.contributions},
            set(one.missing),
        )
        for technique, one in found.items()
    }


def refused_or(answers, table, **more):
    try:
        return told(rules.screen(answers, table, **more))
    except rules.NotCalculable as refused:
        return refused.code


@given(answers=answer_sets())
def test_the_order_of_rows_in_the_files_and_of_techniques_changes_no_result(shuffled, answers):
    assert refused_or(answers, shuffled.table) == refused_or(answers, TABLE)


@given(answer_sets(), st.permutations(TECHNIQUES), st.integers(1, len(TECHNIQUES)))
def test_a_technique_asked_alone_or_among_others_in_any_order_has_one_result(answers, order, many):
    whole = screened(answers)
    assume(whole is not None)
    some = rules.screen(answers, TABLE, techniques=order[:many])
    assert list(some) == order[:many]
    assert some == {technique: whole[technique] for technique in order[:many]}


def test_each_number_moves_to_harm_where_the_published_texts_say_so():
    harm = {key: str(number.harm) for key, number in TABLE.numbers.items()}
    assert harm == dict.fromkeys(MORE_IS_WORSE, "rising") | dict.fromkeys(LESS_IS_WORSE, "falling")


@pytest.mark.parametrize("key", sorted(MORE_IS_WORSE | LESS_IS_WORSE))
def test_a_number_moving_to_harm_never_makes_a_result_less_strict(key):
    """Every bound of every threshold, a little to each side of it, in the order of harm."""
    number = TABLE.numbers[key]
    edges = {
        bound
        for row in number.conditions
        for one in TABLE.conditions[row].thresholds
        for bound in (one.at_least, one.more_than, one.at_most, one.less_than)
        if one.number == key and bound is not None
    }
    values = sorted(
        {value for edge in edges for value in (edge - 1, edge - 0.1, edge, edge + 0.1, edge + 1)}
        | {number.hard_low, number.hard_high},
        reverse=key in LESS_IS_WORSE,
    )
    before = dict.fromkeys(TECHNIQUES, 0)
    for value in values:
        if not number.hard_low <= value <= number.hard_high:
            continue
        answers = {row: Answer("no") for row in TABLE.conditions if row not in number.conditions}
        found = rules.screen(answers | {key: Answer(value)}, TABLE)
        now = {technique: ORDER.index(one.result) for technique, one in found.items()}
        assert all(now[technique] >= before[technique] for technique in TECHNIQUES), value
        before = now


@st.composite
def worsenings(draw, answers):
    """One answer made worse in the words of invariant 2, or nothing where none can be."""
    key = draw(st.sampled_from(sorted(answers)))
    value = answers[key].value
    if value in ("no", "no_reason_to_measure"):
        words = ("yes", "unknown") if key in TABLE.conditions else ("unknown", "not_measured")
        return key, draw(st.sampled_from(words))
    if isinstance(value, str):
        return None
    number = TABLE.numbers[key]
    to = number.hard_high if key in MORE_IS_WORSE else number.hard_low
    return key, draw(st.sampled_from([to]) | st.floats(min(value, to), max(value, to)))


@st.composite
def few_findings(draw):
    """All rows no but one or two, and perhaps a number: so few that one more finding, or its age, shows."""
    answers = dict.fromkeys(TABLE.conditions, "no") | draw(st.dictionaries(ROWS, WORD, max_size=2))
    for key in draw(st.sets(st.sampled_from(list(TABLE.numbers)), max_size=1)):
        answers[key] = draw(numbers(TABLE.numbers[key]))
        for row in TABLE.numbers[key].conditions:
            answers.pop(row, None)
    return {key: Answer(value) for key, value in answers.items()}


ages = st.integers(0, 72).map(lambda hours: dt.timedelta(hours=hours))


@given(few_findings(), ages, st.sampled_from(TECHNIQUES), st.sampled_from(list(holds.Purpose)), st.data())
def test_a_worse_answer_never_opens_the_guard(answers, age, technique, purpose, data):
    """A decision stays: it was made on other findings, so that it must not let the worse ones begin."""
    worse = data.draw(worsenings(answers))
    assume(worse is not None)
    at = NOW + age

    def ask(given_answers, decisions=()):
        return holds.judge(technique, at, purpose, screening=given_answers, decisions=decisions, table=TABLE)

    before = holds.GivenScreening(id=None, at=NOW, answers=dated(answers))
    after = holds.GivenScreening(id=None, at=NOW, answers=dated(answers | {worse[0]: Answer(worse[1])}))
    decided = decision(technique, ask(before).fingerprint, at)
    for decisions in ((), (decided,)):
        one, other = ask(before, decisions), ask(after, decisions)
        assert ORDER.index(other.result) >= ORDER.index(one.result)
        if one.held or {p.cell.condition for p in one.because} != {p.cell.condition for p in other.because}:
            assert other.held


@given(few_findings(), ages, ages, st.sampled_from(TECHNIQUES), st.sampled_from(["begin", "record"]))
def test_an_older_answer_never_opens_the_guard(answers, age, more, technique, purpose):
    screening = holds.GivenScreening(id=None, at=NOW, answers=dated(answers))
    early, late = (
        holds.judge(technique, at, holds.Purpose(purpose), screening=screening, decisions=(), table=TABLE)
        for at in (NOW + age, NOW + age + more)
    )
    assert ORDER.index(late.result) >= ORDER.index(early.result)
    assert early.allowed or not late.allowed


def dated(answers):
    return {key: Answer(one.value, NOW) for key, one in answers.items()}


def decision(technique, fingerprint, at):
    return holds.GivenDecision(
        id=None,
        technique=technique,
        proceed=True,
        reason="",
        conditions="",
        stop_below_spo2_percent=None,
        at=NOW,
        expires_at=at + dt.timedelta(hours=1),
        by="",
        fingerprint=fingerprint,
    )
