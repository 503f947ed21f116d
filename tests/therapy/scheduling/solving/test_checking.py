"""The checker finds each broken rule, and nothing in a whole schedule."""

import ast
from pathlib import Path

import pytest

from tests.therapy.scheduling.solving.days import link, problem, therapist, visit
from therapy.scheduling.solving import checking
from therapy.scheduling.solving.checking import check_schedule

PLACES = {"places": ["A", "B"], "travel": [[0, 2], [2, 0]]}


def rules(day, *rows):
    schedule = [{"visit": v, "therapist": t, "start": s} for v, t, s in rows]
    return {each.rule for each in check_schedule(day, schedule).violations}


def test_the_checker_imports_nothing_of_the_project():
    tree = ast.parse(Path(checking.__file__).read_text())
    imported = {
        (n.module or "").split(".")[0] if isinstance(n, ast.ImportFrom) else n.names[0].name
        for n in ast.walk(tree)
        if isinstance(n, ast.Import | ast.ImportFrom)
    }
    assert imported == {"collections", "dataclasses", "typing"}


@pytest.mark.parametrize(
    ("rule", "day", "rows"),
    [
        ("unknown", problem([therapist()], []), [("a", "T1", 0)]),
        ("unknown", problem([therapist()], [visit("a")]), [("a", "T9", 0)]),
        ("twice", problem([therapist()], [visit("a")]), [("a", "T1", 0), ("a", "T1", 4)]),
        ("window", problem([therapist()], [visit("a", earliest=1)]), [("a", "T1", 0)]),
        ("window", problem([therapist()], [visit("a", latest=1)]), [("a", "T1", 2)]),
        ("skill", problem([therapist()], [visit("a", skill="x")]), [("a", "T1", 0)]),
        ("shift", problem([therapist()], [visit("a")]), [("a", "T1", 7)]),
        ("break", problem([therapist(breaks=[{"from": 1, "to": 2}])], [visit("a")]), [("a", "T1", 0)]),
        ("capacity", problem([therapist(capacity=1)], [visit("a", load=2)]), [("a", "T1", 0)]),
        ("overlap", problem([therapist()], [visit("a"), visit("b")]), [("a", "T1", 0), ("b", "T1", 1)]),
        (
            "travel",
            problem([therapist()], [visit("a", place="A"), visit("b", place="B")], **PLACES),
            [("a", "T1", 0), ("b", "T1", 3)],
        ),
        (
            "travel",
            problem([therapist(start_place="B")], [visit("a", place="A")], **PLACES),
            [("a", "T1", 1)],
        ),
        (
            "travel",
            problem([therapist(end_place="B")], [visit("a", place="A")], **PLACES),
            [("a", "T1", 5)],
        ),
        (
            "travel",
            problem(
                [therapist(breaks=[{"from": 2, "to": 4}])],
                [visit("a", place="A"), visit("b", place="B")],
                **PLACES,
            ),
            [("a", "T1", 0), ("b", "T1", 5)],
        ),
        (
            "patient",
            problem([therapist(), therapist("T2")], [visit("a", patient="p"), visit("b", patient="p")]),
            [("a", "T1", 0), ("b", "T2", 1)],
        ),
        (
            "resource",
            problem(
                [therapist(), therapist("T2")],
                [visit("a", resources=["m"]), visit("b", resources=["m"])],
                resources=[{"id": "m", "capacity": 1, "cleaning": 1}],
            ),
            [("a", "T1", 0), ("b", "T2", 2)],
        ),
        (
            "fixed",
            problem([therapist()], [visit("a", fixed={"therapist": "T1", "start": 1})]),
            [("a", "T1", 2)],
        ),
        ("fixed", problem([therapist()], [visit("a", fixed={"therapist": "T1", "start": 1})]), []),
    ],
)
def test_each_broken_rule_is_named(rule, day, rows):
    assert rules(day, *rows) == {rule}


@pytest.mark.parametrize(
    ("bound", "rows"),
    [
        ({"min_gap": 3}, [("a", "T1", 0), ("b", "T2", 2)]),
        ({"max_gap": 1}, [("a", "T1", 0), ("b", "T2", 2)]),
        ({"same_start": True}, [("a", "T1", 0), ("b", "T2", 2)]),
        ({"other_therapist": True}, [("a", "T1", 0), ("b", "T1", 2)]),
        ({"both_or_neither": True}, [("a", "T1", 0)]),
    ],
)
def test_each_broken_link_is_named(bound, rows):
    pair = [therapist(), therapist("T2")], [visit("a"), visit("b")]
    assert rules(problem(*pair, links=[link("a", "b", **bound)]), *rows) == {"link"}
    assert rules(problem(*pair), *rows) == set()
