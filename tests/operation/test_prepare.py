"""Setting up says the one line that mends a missing system package where it may not install it itself."""

import shutil
import subprocess
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]
# A Python of a supported version that lacks venv and cannot load HarfBuzz's subset library.
BARE_PYTHON = """#!/bin/sh
case "$2" in
    *version_info*) exit 0 ;;
    *ensurepip*|*harfbuzz-subset*) exit 1 ;;
    *) exit 0 ;;
esac
"""


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A folder with the script, and a PATH in which a person without rights stands before a bare machine."""
    (tmp_path / ".ci").mkdir()
    shutil.copy(PROJECT / ".ci" / "prepare", tmp_path / ".ci" / "prepare")
    (tmp_path / "requirements.txt").write_text("", encoding="utf-8")
    shims = tmp_path / "shims"
    shims.mkdir()
    for name, text in {
        "python3.11": BARE_PYTHON,
        "id": "#!/bin/sh\necho 1000\n",
        "sudo": "#!/bin/sh\nexit 1\n",
        "apt-get": "#!/bin/sh\necho 'apt-get was called' >&2\nexit 9\n",
    }.items():
        (shims / name).write_text(text, encoding="utf-8")
        (shims / name).chmod(0o755)
    return tmp_path


def prepare(checkout: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    path = f"{checkout / 'shims'}:/usr/bin:/bin"
    return subprocess.run(
        [str(checkout / ".ci" / "prepare"), "requirements.txt"],
        env={"PATH": path, "HOME": str(checkout)} | environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_without_rights_it_prints_the_line_and_installs_nothing(checkout: Path) -> None:
    done = prepare(checkout)
    assert done.returncode == 1
    assert (
        "    sudo apt-get update && sudo apt-get install --yes --no-install-recommends "
        "python3-venv libharfbuzz-subset0\n"
    ) in done.stderr
    assert "apt-get was called" not in done.stderr
    assert not (checkout / ".venv").exists()


def test_with_rights_it_installs_what_is_missing_and_a_failure_there_ends_it(checkout: Path) -> None:
    (checkout / "shims" / "id").write_text("#!/bin/sh\necho 0\n", encoding="utf-8")
    done = prepare(checkout)
    assert done.returncode == 9
    assert "Installing system packages: python3-venv libharfbuzz-subset0" in done.stderr
    assert "apt-get was called" in done.stderr


def test_an_unsupported_python_is_said_with_the_variable_that_names_another(checkout: Path) -> None:
    for name in ("python3", "python3.11", "python3.12", "python3.13"):
        (checkout / "shims" / name).write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
        (checkout / "shims" / name).chmod(0o755)
    done = prepare(checkout)
    assert done.returncode == 1
    assert "Python 3.11, 3.12 or 3.13 is needed" in done.stderr
    assert "PYTHON=" in done.stderr
