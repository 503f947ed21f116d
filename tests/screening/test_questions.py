"""The questions that settle a technique really settle it, and no smaller set does.

The small tables are drawn, and every smaller set of questions is tried with every answer: the comparison knows only
`rules.screen` and which answers replace which, not how the set was found.
"""

import datetime as dt
import itertools
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from screening import check, questions, rules
from screening import table as tables
from screening.policy.rules import CellRule, effective
from screening.questions import Kind
from screening.rules import Answer, Result
from screening.table import Cell, Condition, Grade, Harm, Life, Number, Table, Threshold

TABLE = tables.current()
NOW = dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC)
OLD = NOW - dt.timedelta(hours=3)
TECHNIQUE = "pep"
BIRTH = {"age_years": Answer(40)}
NUMBER_WORDS = [rules.UNKNOWN, rules.NOT_MEASURED, rules.NO_REASON]


@st.composite
def small_tables(draw):
    """Up to six rows in two groups, some answered by up to two numbers; one technique."""
    rows = [f"row_{index}" for index in range(draw(st.integers(1, 6)))]
    numbers = [f"number_{index}" for index in range(draw(st.integers(0, 2)))]
    rules_out = {number: draw(st.booleans()) for number in numbers}
    thresholds = []
    for number, row in itertools.product(numbers, rows):
        kind = draw(st.sampled_from(["none", "none", "alone", "asked_when"]))
        if kind == "none":
            continue
        other = next((one for one in numbers if one != number), "") if kind == "asked_when" else ""
        thresholds.append(
            Threshold(
                condition=row, number=number, technique="", at_least=None, at_most=None, less_than=None,
                more_than=draw(st.sampled_from([10, 20, 30])), asked_when=other,
                asked_more_than=15 if other else None, rules_out=rules_out[number], seen="test", note="",
            )
        )  # fmt: skip
    conditions = {
        row: Condition(
            key=row, group=draw(st.sampled_from(["left", "right"])), words=row,
            # As in the real table, a row lives as long as the number that answers it.
            life=Life.NOW if any(one.condition == row for one in thresholds) else draw(st.sampled_from(Life)),
            thresholds=tuple(one for one in thresholds if one.condition == row),
        )
        for row in rows
    }  # fmt: skip
    return Table(
        version="drawn", dated=NOW.date(), sign_off_words="", techniques={TECHNIQUE: "PEP"},
        groups={"left": "Left", "right": "Right"},
        shelf_lives={Life.NOW: dt.timedelta(hours=1), Life.TODAY: dt.timedelta(days=1)},
        sources={}, conditions=MappingProxyType(conditions),
        numbers={
            key: Number(
                key=key, group="left", life=Life.NOW, words=key, unit="mL", hard_low=0, hard_high=40,
                soft_low=0, soft_high=40, harm=Harm.RISING, trigger="", trigger_conditions=(), informs="",
                conditions=tuple(dict.fromkeys(one.condition for one in thresholds if one.number == key)),
            )
            for key in numbers
        },
        cells={
            (row, TECHNIQUE): Cell(
                condition=row, technique=TECHNIQUE, grade=draw(st.sampled_from(Grade)), star=False,
                sources=(), reason="", conflict="",
            )
            for row in rows
        },
    )  # fmt: skip


@st.composite
def cases(draw):
    """A small table and answers of some age, not contradicting each other."""
    table = draw(small_tables())
    words = [rules.YES, rules.NO, rules.NO, rules.UNKNOWN, None, None]
    answers = {}
    for key, row in table.conditions.items():
        # A number that rules out what was answered yes contradicts it: that is refused, not asked about.
        said = [one for one in words if one != rules.YES or row.deciding_numbers == row.numbers]
        if (value := draw(st.sampled_from(said))) is not None:
            answers[key] = Answer(value, draw(st.sampled_from([NOW, OLD])))
    # A word takes the number away beside it: where two answer a row together, the row is then asked again.
    together = any(len(rules.answered_with(row)) > 2 for row in table.conditions.values())
    for key in table.numbers if not together else ():
        if (value := draw(st.sampled_from([None, None, 5, 17, 25, 35, *NUMBER_WORDS]))) is not None:
            answers[key] = Answer(value, draw(st.sampled_from([NOW, OLD])))
            if value == rules.NOT_MEASURED:
                # A word that is given anew for one row takes the wanted number away from all of them.
                for row in table.numbers[key].conditions:
                    answers.pop(row, None)
    return table, answers


def screened(answers, table):
    return rules.screen(answers, table, techniques=[TECHNIQUE], at=NOW)[TECHNIQUE]


def ticked(group, table, answers, open_rows):
    """The open rows of a group that "none applies" answers: none of whose numbers was told something in date."""
    return [
        row
        for row in open_rows
        if table.conditions[row].group == group
        and not any(
            key in answers
            and answers[key].value != rules.UNKNOWN
            and not rules.expired(answers[key], table.numbers[key], table, NOW)
            for key in table.conditions[row].deciding_numbers
        )
    ]


def every_answer(asked, table, answers, open_rows, *, words=(rules.NO,)):
    """Each way in which a set of questions can be answered."""
    keys, values = [], []
    for kind, key in asked:
        if kind is Kind.NUMBER:
            keys.append(key)
            values.append([0, 5, 10, 12, 15, 18, 20, 25, 30, 35, 40])
        else:
            rows = [key] if kind is Kind.ROW else ticked(key, table, answers, open_rows)
            keys.extend(rows)
            values.extend([words] * len(rows))
    for chosen in itertools.product(*values):
        yield dict(zip(keys, chosen, strict=True))


def settles(asked, table, answers, open_rows, **more):
    """Whether no row is open, however the questions are answered."""
    for new in every_answer(asked, table, answers, open_rows, **more):
        try:
            found = screened(questions.given(answers, new, table, NOW), table)
        except NotCalculable as refused:
            if refused.field.rsplit("/", 1)[-1] in new:
                continue  # a row and its number that disagree are no answer: the form refuses them
            return False  # it disagrees with what was answered before, which must be asked as well
        if found.unsettled and found.result is not Result.DO_NOT_START:
            return False
    return True


@given(cases())
@settings(max_examples=150)
def test_answering_exactly_the_shortest_set_settles_the_result_and_no_smaller_set_does(case):
    table, answers = case
    try:
        found = screened(answers, table)
    except NotCalculable:
        return
    settling = questions.settling(found, answers, table, at=NOW)
    asked = [(one.kind, one.key) for one in settling.questions]
    if found.result is Result.DO_NOT_START or not found.unsettled:
        assert asked == []
        return
    open_rows = found.unsettled
    assert settles(asked, table, answers, open_rows, words=(rules.YES, rules.NO))
    alternatives = [
        *((Kind.ROW, key) for key in open_rows),
        *((Kind.NUMBER, key) for key in table.numbers),
        *((Kind.GROUP, key) for key in table.groups if ticked(key, table, answers, open_rows)),
    ]
    for size in range(len(asked)):
        for smaller in itertools.combinations(alternatives, size):
            assert not settles(smaller, table, answers, open_rows), f"{smaller} would do instead of {asked}"


@given(
    st.sets(st.sampled_from(sorted(TABLE.conditions)), max_size=12), st.sampled_from(sorted(TABLE.techniques))
)
@settings(max_examples=60)
def test_with_the_whole_table_no_row_is_open_once_the_set_is_answered(left_out, technique):
    answers = {key: Answer(rules.NO, NOW) for key in TABLE.conditions if key not in left_out} | BIRTH
    answers.pop("age_under_2", None)
    found = rules.screen(answers, TABLE, at=NOW)[technique]
    settling = questions.settling(found, answers, TABLE, at=NOW)
    assert settling.rows == set(found.unsettled), "every open row is asked, and nothing else"
    new = dict.fromkeys(settling.rows, rules.NO)
    after = rules.screen(questions.given(answers, new, TABLE, NOW), TABLE, at=NOW)[technique]
    assert after.result is Result.NONE_FOUND
    for row in settling.rows:
        less = rules.screen(
            questions.given(answers, {key: v for key, v in new.items() if key != row}, TABLE, NOW),
            TABLE,
            at=NOW,
        )[technique]
        assert less.result is Result.INCOMPLETE, f"{row} need not have been asked"


def all_no(*left_out, **changed):
    words = {key: rules.NO for key in TABLE.conditions if key not in (*left_out, "age_under_2")}
    return {key: Answer(value, NOW) for key, value in (words | changed).items()} | BIRTH


def shortest(answers, technique, policy=()):
    held = effective(TABLE, policy)
    found = rules.screen(answers, held, at=NOW)[technique]
    return questions.settling(found, answers, held, at=NOW)


def test_what_could_bar_the_technique_is_asked_first():
    answers = all_no("acute_sinusitis", "consciousness_reduced", "epistaxis")
    found = shortest(answers, "pep")
    assert [one.key for one in found.questions] == ["consciousness_reduced", "epistaxis", "acute_sinusitis"]
    assert [one.could_be for one in found.questions] == [
        Result.DO_NOT_START, Result.CLINICIAN_MUST_DECIDE, Result.CLINICIAN_MUST_DECIDE,
    ]  # fmt: skip


def test_nothing_is_asked_for_a_technique_that_is_contraindicated_already():
    answers = all_no("epistaxis", icp_above_20=rules.YES)
    assert shortest(answers, "mi_e").questions == ()
    assert shortest(answers, "pep").questions != ()


def test_one_number_is_asked_instead_of_the_rows_that_it_answers():
    rows = ("platelets_20_to_49", "platelets_under_20")
    (one,) = shortest(all_no(*rows), "percussion_vibration").questions
    assert (one.kind, one.key, set(one.rows)) == (Kind.NUMBER, "platelets_10e9_per_l", set(rows))


def test_a_number_that_leaves_a_row_open_only_where_it_bars_settles_that_row_too():
    """Over 100 mL asks for the days, except where more than 5 mL already bars the technique."""
    rows = [key for key in TABLE.conditions if "haemoptysis_24h_ml" in TABLE.conditions[key].numbers]
    (one,) = shortest(all_no(*rows, platelets_10e9_per_l=200), "mi_e").questions
    assert (one.kind, one.key) == (Kind.NUMBER, "haemoptysis_24h_ml")
    (other,) = shortest(all_no(*rows), "pep").questions
    assert (other.kind, other.key) == (Kind.GROUP, "bleeding")


def test_several_open_rows_of_a_group_are_one_question():
    rows = ("epistaxis", "vomited_blood_recent", "active_bleeding_unstable")
    (one,) = shortest(all_no(*rows), "pep").questions
    assert (one.kind, one.key, one.rows[0]) == (Kind.GROUP, "bleeding", "active_bleeding_unstable")


def test_a_wanted_number_that_was_not_measured_is_asked_for_itself_and_not_covered_by_the_groups_tick():
    answers = all_no("epistaxis", "vomited_blood_recent", platelets_10e9_per_l=rules.NOT_MEASURED)
    asked = [(one.kind, one.key) for one in shortest(answers, "hfcwo").questions]
    assert (Kind.NUMBER, "platelets_10e9_per_l") in asked


def test_an_answer_past_its_shelf_life_is_asked_again_and_said_to_be_out_of_date():
    answers = all_no() | {"epistaxis": Answer(rules.NO, OLD), "acute_sinusitis": Answer(rules.NO, OLD)}
    (one,) = shortest(answers, "pep").questions
    assert (one.key, one.out_of_date) == ("epistaxis", True), "sinusitis holds for the day"


def test_a_local_policy_counts_in_what_could_bar():
    answers = all_no("epistaxis")
    (one,) = shortest(
        answers, "pep", policy=[CellRule(condition="epistaxis", technique="pep", grade=Grade.ABSOLUTE)]
    ).questions
    assert one.could_be is Result.DO_NOT_START


def test_the_second_ordered_technique_asks_only_what_the_first_left_open_and_the_rest_follows():
    answers = all_no("epistaxis", "rib_fracture", "pacemaker_new", "lung_abscess")
    results = rules.screen(answers, TABLE, at=NOW)
    asking = questions.in_order(results, answers, TABLE, ["pep", "percussion_vibration"], at=NOW)
    assert [[one.key for one in each.questions] for each in asking.settlings] == [
        ["epistaxis"],
        ["pacemaker_new", "rib_fracture"],
    ], "each could ask for a decision; then as the table has them"
    assert [one.key for one in asking.others] == ["lung_abscess"], "it could bar MI-E"


def test_what_follows_from_a_birth_date_that_is_not_known_is_asked_of_nobody():
    answers = {key: one for key, one in all_no().items() if key != "age_years"}
    found = shortest(answers, "hfcwo")
    assert (found.questions, found.beyond) == ((), ("age_under_2",))
    assert {"age_years"} == check.NOT_ASKED


@pytest.mark.parametrize("number", sorted(TABLE.numbers))
def test_between_the_values_that_stand_for_a_number_no_row_changes(number):
    """Each row's yes and no change only at the edges that are data; the values tried lie on and between them."""
    tried = questions.representatives(number, TABLE)
    of = TABLE.numbers[number]
    assert tried[0] == of.hard_low
    assert tried[-1] == of.hard_high
    for low, high in itertools.pairwise(tried):
        for condition in of.conditions:
            for one in TABLE.conditions[condition].thresholds:
                if one.number == number:
                    inside = [low + (high - low) * part / 4 for part in (1, 2, 3)]
                    assert len({one.met(value) for value in inside}) == 1
