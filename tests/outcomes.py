"""Writes down how each test of a run ended, so that the safety case can be checked over several runs.

Active where CLINIC_TEST_OUTCOMES names a folder; each run adds one file. With several workers only the process
that collects their reports writes.
"""

import json
import os
import time
from pathlib import Path

import pytest

VARIABLE = "CLINIC_TEST_OUTCOMES"
_RANK = {"passed": 0, "skipped": 1, "failed": 2}


class Outcomes:
    """The worst of a test's phases is how it ended; one that is expected to fail proves nothing."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ended: dict[str, str] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        outcome = "skipped" if hasattr(report, "wasxfail") else report.outcome
        before = self.ended.get(report.nodeid, "passed")
        self.ended[report.nodeid] = max(before, outcome, key=_RANK.__getitem__)

    def pytest_sessionfinish(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        file = self.folder / f"{time.time_ns()}-{os.getpid()}.json"
        file.write_text(json.dumps(self.ended, sort_keys=True), encoding="utf-8")


def keep(config: pytest.Config) -> None:
    """Keep the outcomes of this run where that is asked for."""
    folder = os.environ.get(VARIABLE)
    if folder and not hasattr(config, "workerinput"):
        config.pluginmanager.register(Outcomes(Path(folder)), "outcomes")


def read(folder: Path) -> list[dict[str, str]]:
    """The outcomes of every run in the folder, by node id."""
    return [json.loads(file.read_text(encoding="utf-8")) for file in sorted(folder.glob("*.json"))]
