"""One command runs several processes, leaves none behind, and says which one died."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from clinic import supervisor as module
from clinic.supervisor import Ended, Program, Supervisor

SLEEPS = "import time; time.sleep(60)"
DEAF = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('deaf', flush=True); time.sleep(60)"
DIES = "import sys; print('the reason why'); sys.exit(3)"


def python(name: str, code: str) -> Program:
    return Program(name, [sys.executable, "-S", "-E", "-c", code])


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return "(zombie)" not in Path(f"/proc/{pid}/status").read_text(encoding="utf-8")


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def supervisor(tmp_path: Path, said: list[str]) -> Supervisor:
    return Supervisor(environment=os.environ, log_folder=tmp_path / "log", say=said.append)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_every_process_and_is_named(supervisor: Supervisor, number: signal.Signals) -> None:
    before = signal.getsignal(number)
    ended = supervisor.run(
        [python("one", SLEEPS), python("two", SLEEPS)], once_started=lambda: os.kill(os.getpid(), number)
    )
    assert ended == Ended(signal_number=number)
    assert all(process.returncode == -signal.SIGTERM for process in supervisor._running.values())
    assert signal.getsignal(number) == before


def test_each_process_is_in_a_group_of_its_own_so_that_ctrl_c_reaches_the_supervisor_alone(
    supervisor: Supervisor,
) -> None:
    groups: list[int] = []

    def look() -> None:
        groups.extend(os.getpgid(process.pid) for process in supervisor._running.values())
        os.kill(os.getpid(), signal.SIGTERM)

    supervisor.run([python("one", SLEEPS), python("two", SLEEPS)], once_started=look)
    assert len({*groups, os.getpgid(0)}) == 3


def test_when_one_process_dies_the_others_end_and_its_last_words_are_at_hand(supervisor: Supervisor) -> None:
    ended = supervisor.run([python("one", SLEEPS), python("two", DIES)], once_started=lambda: None)
    assert ended == Ended(program="two", exit_code=3)
    assert supervisor.last_lines("two") == "the reason why"
    assert supervisor._running["one"].returncode == -signal.SIGTERM


def test_a_process_that_does_not_listen_is_killed_after_a_bounded_wait(
    supervisor: Supervisor, said: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "STOP_WAIT_S", 0.3)

    def stop_when_deaf() -> None:
        while "deaf" not in (tmp_path / "log" / "one.log").read_text(encoding="utf-8"):
            time.sleep(0.02)
        os.kill(os.getpid(), signal.SIGTERM)

    supervisor.run([python("one", DEAF)], once_started=stop_when_deaf)
    assert supervisor._running["one"].returncode == -signal.SIGKILL
    assert any("one did not end" in line for line in said)


def test_children_of_a_process_end_with_it(supervisor: Supervisor, tmp_path: Path) -> None:
    parent = (
        "import subprocess, sys, time\n"
        f"child = subprocess.Popen([sys.executable, '-c', {SLEEPS!r}])\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(60)"
    )
    log = tmp_path / "log" / "one.log"

    def stop_when_there_is_a_child() -> None:
        while not log.read_text(encoding="utf-8").endswith("\n"):
            time.sleep(0.02)
        os.kill(os.getpid(), signal.SIGTERM)

    supervisor.run([python("one", parent)], once_started=stop_when_there_is_a_child)
    deadline = time.monotonic() + 5
    while is_alive(int(log.read_text(encoding="utf-8"))) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not is_alive(int(log.read_text(encoding="utf-8")))


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone lets a child ask to end with its parent")
def test_a_supervisor_killed_outright_takes_its_processes_with_it(tmp_path: Path) -> None:
    code = (
        "import os, pathlib, sys\n"
        "from clinic.supervisor import Program, Supervisor\n"
        f"supervisor = Supervisor(environment=os.environ, log_folder=pathlib.Path({str(tmp_path)!r}), say=print)\n"
        f"sleeps = Program('one', [sys.executable, '-c', {SLEEPS!r}])\n"
        "tell = lambda: print(*(p.pid for p in supervisor._running.values()), flush=True)\n"
        "supervisor.run([sleeps], once_started=tell)"
    )
    outer = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert outer.stdout is not None
    inner = int(outer.stdout.readline())
    assert is_alive(inner)
    outer.kill()
    outer.communicate(timeout=5)
    deadline = time.monotonic() + 5
    while is_alive(inner) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not is_alive(inner)
