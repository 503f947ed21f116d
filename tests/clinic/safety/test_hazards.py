"""The risk matrix, and the loader that refuses a hazard log with a hole."""

import csv
from pathlib import Path

import pytest

from clinic.safety import hazards
from clinic.safety.risk import (
    LIKELIHOOD_WORDS,
    RATING_WORDS,
    SEVERITY_WORDS,
    Likelihood,
    Severity,
    risk,
    words,
)


def test_the_matrix_is_that_of_the_standard() -> None:
    """DCB0129, clinical risk matrix: typed in a second time, by severity instead of by likelihood, from memory."""
    by_severity = {
        Severity.MINOR: "1 1 2 2 3",
        Severity.SIGNIFICANT: "1 2 2 3 4",
        Severity.CONSIDERABLE: "2 2 3 3 4",
        Severity.MAJOR: "2 3 3 4 5",
        Severity.CATASTROPHIC: "3 4 4 5 5",
    }
    assert {s: " ".join(str(risk(s, one)) for one in Likelihood) for s in Severity} == by_severity


def test_worse_or_more_likely_is_never_rated_lower() -> None:
    """ISO 14971: risk is the combination of severity and probability."""
    milder = [[risk(severity, likelihood) for severity in sorted(Severity)] for likelihood in Likelihood]
    rarer = [[risk(severity, likelihood) for likelihood in sorted(Likelihood)] for severity in Severity]
    assert [row for row in (*milder, *rarer) if row != sorted(row)] == []
    assert {rated for row in milder for rated in row} == {1, 2, 3, 4, 5}


def test_every_level_and_rating_has_its_words() -> None:
    assert set(SEVERITY_WORDS) == set(Severity)
    assert set(LIKELIHOOD_WORDS) == set(Likelihood)
    assert set(RATING_WORDS) == {1, 2, 3, 4, 5}
    assert words(Likelihood.VERY_LOW) == "very low"


def rows() -> list[dict[str, str]]:
    """Two hazards, the first with two controls."""
    one = {
        "id": "H01", "hazard": "h", "causes": "c", "effect": "e", "severity": "catastrophic", "likelihood": "medium",
        "initial_risk": "4", "residual_severity": "catastrophic", "residual_likelihood": "very low",
        "residual_risk": "3", "comment": "stands because", "control": "H01.1", "control_words": "w",
        "tests": "tests/test_a.py::test_b",
    }  # fmt: skip
    other = {
        **one, "id": "H02", "severity": "minor", "likelihood": "low", "initial_risk": "1",
        "residual_severity": "minor", "residual_likelihood": "low", "residual_risk": "1", "comment": "",
        "control": "H02.1",
    }  # fmt: skip
    return [
        one,
        {**one, "control": "H01.2", "tests": "tests/test_a.py::test_b; tests/test_a.py::test_c[x]"},
        other,
    ]


def written(folder: Path, given_rows: list[dict[str, str]]) -> Path:
    file = folder / "hazards.csv"
    with file.open("w", encoding="utf-8", newline="") as lines:
        writer = csv.DictWriter(lines, list(rows()[0]))
        writer.writeheader()
        writer.writerows(given_rows)
    return file


def test_rows_of_one_hazard_are_its_controls(tmp_path: Path) -> None:
    first, second = hazards.load(written(tmp_path, rows()))
    assert [control.id for control in first.controls] == ["H01.1", "H01.2"]
    assert first.controls[1].tests == ("tests/test_a.py::test_b", "tests/test_a.py::test_c[x]")
    assert (first.initial_risk, first.residual_risk, second.initial_risk) == (4, 3, 1)


@pytest.mark.parametrize(
    ("place", "name", "value", "said"),
    [
        (0, "effect", " ", "effect is empty"),
        (1, "causes", "other", "differs between its rows"),
        (1, "control", "H01.1", "stands twice"),
        (1, "control", "H02.9", "another hazard"),
        (2, "initial_risk", "2", "the matrix says 1"),
        (2, "residual_risk", "4", "the matrix says 1"),
        (2, "severity", "mild", "none of minor"),
        (2, "tests", "somewhere", "names its tests"),
        (2, "tests", ";", "names its tests"),
    ],
)
def test_a_hole_or_a_slip_is_refused_with_its_place(
    tmp_path: Path, place: int, name: str, value: str, said: str
) -> None:
    changed = rows()
    changed[place][name] = value
    with pytest.raises(hazards.LogRefused, match=said):
        hazards.load(written(tmp_path, changed))


def test_a_residual_risk_that_is_too_high_or_stands_without_a_word_is_refused(tmp_path: Path) -> None:
    high = [{**row, "residual_likelihood": "medium", "residual_risk": "4"} for row in rows()[:2]]
    with pytest.raises(hazards.LogRefused, match="too high"):
        hazards.load(written(tmp_path, high))
    with pytest.raises(hazards.LogRefused, match="needs a word"):
        hazards.load(written(tmp_path, [{**row, "comment": ""} for row in rows()[:2]]))
    grown = {**rows()[2], "residual_likelihood": "very high", "residual_risk": "3", "comment": "w"}
    with pytest.raises(hazards.LogRefused, match="too high"):
        hazards.load(written(tmp_path, [grown]))
    with pytest.raises(hazards.LogRefused, match="empty"):
        hazards.load(written(tmp_path, []))


def test_the_log_covers_what_a_clinical_safety_officer_asks_about() -> None:
    """standards.md section 4: hazard, causes, effect, severity, likelihood, initial and residual risk, controls."""
    log = hazards.current()
    assert len(log) >= 30
    assert len({hazard.id for hazard in log}) == len({hazard.hazard for hazard in log}) == len(log)
    told = " ".join(f"{hazard.hazard} {hazard.causes}" for hazard in log).casefold()
    for topic in (
        "wrong patient", "unknown", "stale", "pneumothorax", "intracranial", "bleeding", "oxygen", "child", "missed",
        "twice", "lost", "two places", "unit", "decision outlives", "emergency access", "name", "figure",
        "clocks", "hold", "device", "fatigue", "licence", "meal", "infection", "independent sets",
    ):  # fmt: skip
        assert topic in told, topic
