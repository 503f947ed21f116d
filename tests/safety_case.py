"""Holds the hazard log to the tests: every test that it names is there, and has passed.

    .venv/bin/python -m tests.safety_case FOLDER

reads the outcomes that the runs of .ci/run left in FOLDER (tests/outcomes.py) and ends with 1 where a named test
did not pass in any of them, or failed in one. A name without its parameters stands for all of its cases.
"""

import ast
import sys
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path

from clinic.safety import hazards
from tests import outcomes

ROOT = Path(__file__).resolve().parents[1]
PROVES_NOTHING = ("mark.skip", "mark.xfail")


def named() -> dict[str, list[str]]:
    """Every test that the hazard log names, with the controls that it proves."""
    found: dict[str, list[str]] = {}
    for hazard in hazards.current():
        for control in hazard.controls:
            for test in control.tests:
                found.setdefault(test, []).append(control.id)
    return found


def missing(tests: Iterable[str], root: Path = ROOT) -> list[str]:
    """The named tests that are not written, or are marked to be skipped or to fail, each with why."""
    found = []
    for test in tests:
        path, _, name = test.partition("::")
        marks = _tests_of(root / path).get(name.split("[")[0].split("::")[-1])
        if marks is None:
            found.append(f"{test}: there is no such test")
        elif any(mark in marks for mark in PROVES_NOTHING):
            found.append(f"{test}: is marked to be skipped or to fail")
    return found


def unproved(tests: Iterable[str], runs: Sequence[Mapping[str, str]]) -> list[str]:
    """The named tests that did not run, were skipped in every run, or failed in one, each with why."""
    ended: dict[str, set[str]] = {}
    for run in runs:
        for case, outcome in run.items():
            ended.setdefault(case, set()).add(outcome)
    by_test: dict[str, list[str]] = {}
    for case in ended:
        by_test.setdefault(case.split("[")[0], []).append(case)
    found = []
    for test in tests:
        cases = [case for case in by_test.get(test.split("[")[0], []) if _stands_for(test, case)]
        if not cases:
            found.append(f"{test}: ran nowhere")
        for case in cases:
            if "failed" in ended[case]:
                found.append(f"{case}: failed")
            elif "passed" not in ended[case]:
                found.append(f"{case}: was skipped in every run")
    return found


def _stands_for(test: str, case: str) -> bool:
    return case == test or case.startswith(test if "[" in test else f"{test}[")


@cache
def _tests_of(file: Path) -> dict[str, str]:
    """The tests of a file by name, with the marks that stand on them or on the whole file."""
    if not file.is_file():
        return {}
    tree = ast.parse(file.read_text(encoding="utf-8"))
    whole = " ".join(
        ast.unparse(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark"
    )
    return {
        node.name: f"{whole} {' '.join(ast.unparse(mark).replace('mark.skipif', '') for mark in node.decorator_list)}"
        for node in ast.walk(tree)
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)) and node.name.startswith("test_")
    }


def main(folder: Path) -> int:
    """Say what is wanting. Returns the exit code."""
    runs, tests = outcomes.read(folder), named()
    wanting = missing(tests) + unproved(tests, runs)
    for line in wanting:
        controls = tests.get(line.split(": ")[0].split("[")[0], [])
        sys.stdout.write(f"{line} ({', '.join(controls) or 'a case of a named test'})\n")
    log = hazards.current()
    controls = sum(len(hazard.controls) for hazard in log)
    sys.stdout.write(
        f"{len(log)} hazards, {controls} controls, {len(tests)} tests that prove them, {len(runs)} runs: "
        f"{f'{len(wanting)} wanting' if wanting else 'all passed'}\n"
    )
    return 1 if wanting or not runs else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
