"""The rule table is whole, and data with a hole is refused."""

import csv
import shutil

import pytest

from screening import table as tables
from screening.table import Grade, TableRefused

SIGN_OFF = "judgement, needs local sign-off"


@pytest.fixture
def copy(tmp_path):
    """A copy of the data files that a test may spoil."""
    directory = tmp_path / "contraindications"
    shutil.copytree(tables.DIRECTORY, directory)

    def spoil(name, change):
        path = directory / name
        with path.open(encoding="utf-8", newline="") as lines:
            rows = list(csv.DictReader(lines))
        header = list(rows[0])
        rows = change(rows)
        with path.open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, header)
            writer.writeheader()
            writer.writerows(rows)
        return directory

    return spoil


def edit(**fields):
    """Change the first row whose grade is R and which has no star."""

    def change(rows):
        for row in rows:
            if row["grade"] == "R" and row["star"] == "no":
                row.update(fields)
                return rows
        raise AssertionError("no such row")

    return change


def test_the_table_has_every_row_for_every_technique():
    table = tables.current()
    assert len(table.conditions) == 79
    assert len(table.techniques) == 11
    assert set(table.cells) == {(c, t) for c in table.conditions for t in table.techniques}
    assert {one.group for one in table.conditions.values()} == set(table.groups)


def test_every_cell_that_bears_says_why_and_by_which_source():
    table = tables.current()
    for cell in table.cells.values():
        if cell.grade is Grade.NONE_LISTED:
            assert cell.reason == "none listed"
            assert not cell.sources
            continue
        assert len(cell.reason) > 20, cell
        assert cell.sources, cell
        assert cell.star == (SIGN_OFF in cell.reason), cell
        if not cell.star:
            assert any(table.sources[key].kind != "judgement" for key in cell.sources), cell


def test_breathing_techniques_have_no_published_list_so_every_bar_there_is_judgement():
    table = tables.current()
    cells = [table.cells[c, "breathing_techniques"] for c in table.conditions]
    assert all(cell.star for cell in cells if cell.grade is not Grade.NONE_LISTED)


def test_no_source_of_the_table_is_left_unused():
    table = tables.current()
    assert {key for cell in table.cells.values() for key in cell.sources} == set(table.sources)


def test_the_table_names_no_digit_after_an_angle_bracket():
    """ISMP: the signs for less and more are read as digits or reversed."""
    for name in ("conditions.csv", "cells.csv", "numbers.csv", "sources.csv", "thresholds.csv"):
        text = (tables.DIRECTORY / name).read_text(encoding="utf-8")
        assert "<" not in text
        assert ">" not in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda rows: rows[1:], "holes"),
        (lambda rows: [*rows, rows[0]], "stands twice"),
        (edit(grade="B"), "none of A, R, N"),
        (edit(condition="no_such_row"), "'no_such_row' is not known"),
        (edit(technique="massage"), "'massage' is not known"),
        (edit(sources="no-such-source"), "'no-such-source' is not known"),
        (edit(reason=""), "needs a reason"),
        (edit(sources=""), "needs a reason"),
        (edit(star="yes"), SIGN_OFF),
        (edit(star="perhaps"), "yes or no"),
        (edit(sources="judgement"), "document behind it"),
        (edit(grade="N"), "none listed"),
    ],
)
def test_a_faulty_cell_is_refused_with_its_place(copy, change, words):
    with pytest.raises(TableRefused, match=r"cells\.csv") as refused:
        tables.load(copy("cells.csv", change))
    assert words in str(refused.value)


def test_a_starred_cell_without_the_words_is_refused(copy):
    def change(rows):
        for row in rows:
            row["reason"] = row["reason"].replace(SIGN_OFF, "we think so")
        return rows

    with pytest.raises(TableRefused, match=SIGN_OFF):
        tables.load(copy("cells.csv", change))


@pytest.mark.parametrize(
    ("name", "field", "value"),
    [
        ("conditions.csv", "life", "weekly"),
        ("conditions.csv", "group", "elsewhere"),
        ("conditions.csv", "key", "somebody_else"),
        ("numbers.csv", "life", "weekly"),
        ("numbers.csv", "trigger_conditions", "no_such_row"),
        ("thresholds.csv", "number", "no_such_number"),
        ("thresholds.csv", "condition", "no_such_row"),
        ("thresholds.csv", "technique", "massage"),
        ("thresholds.csv", "asked_when", "no_such_number"),
    ],
)
def test_an_unknown_name_anywhere_is_refused(copy, name, field, value):
    def change(rows):
        rows[0][field] = value
        return rows

    with pytest.raises(TableRefused):
        tables.load(copy(name, change))


def test_a_number_that_answers_no_row_is_refused(copy):
    def change(rows):
        return [row for row in rows if row["number"] != "icp_mmhg"]

    with pytest.raises(TableRefused, match="icp_mmhg answers no row"):
        tables.load(copy("thresholds.csv", change))


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        ("thresholds.csv", {"more_than": "", "at_least": "", "at_most": "", "less_than": ""}, "has no bound"),
        ("thresholds.csv", {"more_than": "twenty"}, "'twenty' is no number"),
        ("thresholds.csv", {"seen": ""}, "where its bounds were seen"),
        ("thresholds.csv", {"asked_when": "icp_mmhg", "asked_more_than": ""}, "stand together"),
        ("numbers.csv", {"hard_low": "200"}, "from low to high"),
        ("numbers.csv", {"soft_high": "9000"}, "from low to high"),
        ("numbers.csv", {"harm": "sideways"}, "none of rising, falling"),
        ("numbers.csv", {"unit": ""}, "has a unit"),
        ("numbers.csv", {"trigger": ""}, "question that asks for it"),
    ],
)
def test_a_number_or_threshold_that_cannot_be_is_refused_with_its_place(copy, name, change, words):
    def spoil(rows):
        rows[0].update(change)
        return rows

    with pytest.raises(TableRefused, match=name) as refused:
        tables.load(copy(name, spoil))
    assert words in str(refused.value)


@pytest.mark.parametrize(
    "conflict", ["Sources differ.", "Sources differ: one page bars it.", "Sources differ: ; b."]
)
def test_a_conflict_that_shows_one_side_only_is_refused(copy, conflict):
    with pytest.raises(TableRefused, match="both sides"):
        tables.load(copy("cells.csv", edit(conflict=conflict)))


def test_an_answer_that_ages_without_a_length_is_refused(copy):
    directory = copy("cells.csv", lambda rows: rows)
    head = (directory / "table.toml").read_text(encoding="utf-8")
    (directory / "table.toml").write_text(head.replace("now = 60\n", ""), encoding="utf-8")
    with pytest.raises(TableRefused, match="holds now has no length"):
        tables.load(directory)


def test_a_number_that_answers_no_row_says_what_it_is_asked_for():
    table = tables.current()
    without = {key for key, one in table.numbers.items() if not one.conditions}
    assert without == {"peak_cough_flow_l_per_min"}
    assert table.numbers["peak_cough_flow_l_per_min"].unit == "L/min"
    assert "Not judged under 12 years" in table.numbers["peak_cough_flow_l_per_min"].informs


def test_each_number_has_its_unit():
    """The units of the trade, typed from the list of what is asked."""
    assert {key: one.unit for key, one in tables.current().numbers.items()} == {
        "icp_mmhg": "mmHg",
        "platelets_10e9_per_l": "\u00d710\u2079/L",
        "haemoptysis_24h_ml": "mL",
        "haemoptysis_days_over_100_ml": "days",
        "gestation_weeks": "weeks",
        "age_years": "years",
        "minutes_since_meal": "min",
        "vital_capacity_ml_per_kg": "mL/kg",
        "days_since_surgery": "days",
        "peak_cough_flow_l_per_min": "L/min",
    }
