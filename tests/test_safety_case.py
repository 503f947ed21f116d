"""The hazard log names tests that are there; the check over the runs notices one that is skipped, failed or gone."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import safety_case
from tests.outcomes import VARIABLE, read

TEST = "tests/test_x.py::test_a"


def test_every_test_that_the_hazard_log_names_is_there_and_is_not_marked_to_be_skipped() -> None:
    """DCB0129 and ISO 14971: evidence that each control works."""
    tests = safety_case.named()
    assert len(tests) >= 100
    assert safety_case.missing(tests) == []


def test_the_step_of_the_ci_reads_what_every_run_before_it_wrote() -> None:
    script = (safety_case.ROOT / ".ci/run").read_text(encoding="utf-8")
    steps = [line for line in script.splitlines() if line.startswith("step ")]
    (check,) = [number for number, line in enumerate(steps) if "tests.safety_case" in line]
    runs = [
        number
        for number, line in enumerate(steps)
        if "make test" in line or "suite" in line or "browser" in line
    ]
    assert len(runs) == 3
    assert max(runs) < check
    assert script.index(f"export {VARIABLE}=") < script.index("step 'make test'")


def test_a_test_that_is_gone_or_marked_to_be_skipped_is_missing(tmp_path: Path) -> None:
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests/test_x.py").write_text(
        "import pytest\n"
        "def test_a(): pass\n"
        "@pytest.mark.skip(reason='later')\ndef test_b(): pass\n"
        "@pytest.mark.xfail\ndef test_c(): pass\n"
        "@pytest.mark.skipif(True, reason='on this database')\ndef test_d(): pass\n"
        "class TestGroup:\n    def test_e(self): pass\n"
    )
    (tmp_path / "tests/test_y.py").write_text(
        "import pytest\npytestmark = pytest.mark.skip\ndef test_f(): pass\n"
    )
    names = [
        "test_x.py::test_a",
        "test_x.py::test_a[one]",
        "test_x.py::test_d",
        "test_x.py::TestGroup::test_e",
    ]
    wrong = [
        "test_x.py::test_b",
        "test_x.py::test_c",
        "test_y.py::test_f",
        "test_x.py::test_g",
        "test_z.py::test_a",
    ]
    assert safety_case.missing([f"tests/{name}" for name in names], tmp_path) == []
    said = safety_case.missing([f"tests/{name}" for name in wrong], tmp_path)
    assert [line.split(": ")[0] for line in said] == [f"tests/{name}" for name in wrong]


@pytest.mark.parametrize(
    ("runs", "wanting"),
    [
        ([{TEST: "passed"}], []),
        ([{TEST: "skipped"}, {TEST: "passed"}], []),
        ([{f"{TEST}[one]": "passed", f"{TEST}[two]": "passed"}], []),
        ([], [f"{TEST}: ran nowhere"]),
        ([{"tests/test_x.py::test_ab": "passed"}], [f"{TEST}: ran nowhere"]),
        ([{TEST: "skipped"}, {TEST: "skipped"}], [f"{TEST}: was skipped in every run"]),
        ([{TEST: "passed"}, {TEST: "failed"}], [f"{TEST}: failed"]),
        (
            [{f"{TEST}[one]": "passed", f"{TEST}[two]": "skipped"}],
            [f"{TEST}[two]: was skipped in every run"],
        ),
    ],
)
def test_a_named_test_counts_once_it_has_passed_somewhere_and_failed_nowhere(
    runs: list[dict[str, str]], wanting: list[str]
) -> None:
    assert safety_case.unproved([TEST], runs) == wanting


def test_a_name_with_parameters_stands_for_the_cases_that_begin_so() -> None:
    runs = [{f"{TEST}[pep-1]": "passed", f"{TEST}[hfcwo-1]": "skipped"}]
    assert safety_case.unproved([f"{TEST}[pep"], runs) == []
    assert safety_case.unproved([f"{TEST}[hfcwo"], runs) == [f"{TEST}[hfcwo-1]: was skipped in every run"]


@pytest.mark.slow
def test_a_run_on_two_workers_writes_each_outcome_once(tmp_path: Path) -> None:
    """The worst of set-up, test and tear-down counts; what is expected to fail proves nothing."""
    (tmp_path / "conftest.py").write_text(
        "import sys\n"
        f"sys.path.insert(0, {str(safety_case.ROOT)!r})\n"
        "from tests import outcomes\n"
        "def pytest_configure(config): outcomes.keep(config)\n"
    )
    (tmp_path / "test_x.py").write_text(
        "import pytest\n"
        "@pytest.fixture\ndef broken():\n    yield\n    raise RuntimeError\n"
        "@pytest.mark.parametrize('n', [1, 2])\ndef test_a(n): pass\n"
        "def test_b(): pytest.skip('no')\n"
        "def test_c(): assert False\n"
        "@pytest.mark.xfail\ndef test_d(): assert False\n"
        "def test_e(broken): pass\n"
    )
    folder = tmp_path / "outcomes"
    subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "2", "-p", "no:randomly", "-p", "no:django",
         "-c", os.devnull, "--rootdir", ".", "test_x.py"],
        cwd=tmp_path, env={**os.environ, VARIABLE: str(folder)}, capture_output=True, check=False, timeout=120,
    )  # fmt: skip
    assert len(list(folder.glob("*.json"))) == 1
    assert read(folder) == [
        {
            "test_x.py::test_a[1]": "passed",
            "test_x.py::test_a[2]": "passed",
            "test_x.py::test_b": "skipped",
            "test_x.py::test_c": "failed",
            "test_x.py::test_d": "skipped",
            "test_x.py::test_e": "failed",
        }
    ]


def test_the_command_ends_with_1_where_something_is_wanting_or_no_run_was_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert safety_case.main(tmp_path) == 1
    tests = list(safety_case.named())
    (tmp_path / "1.json").write_text(json.dumps(dict.fromkeys(tests, "passed")))
    capsys.readouterr()
    assert safety_case.main(tmp_path) == 0
    assert "all passed" in capsys.readouterr().out
    (tmp_path / "1.json").write_text(json.dumps(dict.fromkeys(tests[1:], "passed")))
    assert safety_case.main(tmp_path) == 1
    assert f"{tests[0]}: ran nowhere" in capsys.readouterr().out
