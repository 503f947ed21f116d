"""`make run` as a newcomer meets it: one command, an address, Ctrl-C; a taken port and a dead process are said."""

import json
import os
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from tests.operation.installation import Installation, kill_outright, wait_until

SERVE = [sys.executable, "manage.py", "serve"]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def demo(tmp_path: Path) -> Installation:
    found = Installation(tmp_path, f"sqlite:///{tmp_path / 'clinic.sqlite3'}", settings="clinic.settings")
    yield found
    found.close()


def said(demo: Installation) -> str:
    return (demo.folder / "serve.log").read_text(encoding="utf-8")


def start(demo: Installation, port: int) -> subprocess.Popen[bytes]:
    serving = demo.start(SERVE, "serve.log", PORT=str(port), CLINIC_TRAINING_DATA="0")

    def is_ready() -> bool:
        assert serving.poll() is None, said(demo)
        return "Ready at" in said(demo)

    wait_until("it is ready", is_ready, seconds=180, log=demo.folder / "serve.log")
    return serving


def processes_of(demo: Installation) -> dict[int, str]:
    """Every process that works in the data folder of this installation, by what it was started with."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            environment = (folder / "environ").read_bytes()
            words = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if f"CLINIC_DATA_DIR={demo.folder}".encode() in environment and words:
            found[int(folder.name)] = words
    return found


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for processes in /proc")
def test_it_serves_pages_until_ctrl_c_and_leaves_no_process_behind(demo: Installation) -> None:
    port = free_port()
    serving = start(demo, port)
    assert f"Ready at http://localhost:{port}/" in said(demo)
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/health/ready", timeout=10) as answer:
        assert {check["ok"] for check in json.load(answer)["checks"].values()} == {True}
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/sign-in", timeout=10) as page:
        address = page.read().decode().split('rel="stylesheet" href="')[1].split('"')[0]
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{address}", timeout=10) as style:
        assert style.headers["Cache-Control"] == "max-age=315360000, public, immutable"
    os.kill(serving.pid, signal.SIGINT)
    assert serving.wait(timeout=30) == 0
    assert "all processes are down" in said(demo)
    assert processes_of(demo) == {}


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for processes in /proc")
def test_a_process_that_dies_is_named_and_the_others_end_with_it(demo: Installation) -> None:
    serving = start(demo, free_port())
    (worker,) = [pid for pid, words in processes_of(demo).items() if " worker " in words]
    os.kill(worker, signal.SIGKILL)
    assert serving.wait(timeout=30) != 0
    assert "worker ended by itself with -9" in said(demo)
    assert processes_of(demo) == {}


def test_a_taken_port_is_said_with_the_variable_that_changes_it(demo: Installation) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        serving = demo.start(SERVE, "serve.log", PORT=str(port))
        assert serving.wait(timeout=60) == 1
    assert f"Port {port} cannot be used" in said(demo)
    assert f"PORT={port + 1} make run" in said(demo)
    assert not (demo.folder / "clinic.sqlite3").exists()
    kill_outright(serving)
