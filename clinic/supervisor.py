"""Runs several processes under one foreground command: ends all when one ends, and restarts none silently."""

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

STOP_WAIT_S = 15.0
LOOK_EVERY_S = 0.2
LAST_LINES = 15
_PR_SET_PDEATHSIG = 1


@dataclass(frozen=True)
class Program:
    """One process to run, named as a person would name it."""

    name: str
    command: Sequence[str]


@dataclass(frozen=True)
class Ended:
    """Why the supervisor came to its end: a signal, or a program that ended by itself."""

    signal_number: int | None = None
    program: str = ""
    exit_code: int = 0


class Supervisor:
    """Starts programs, each in a process group of its own, waits, and leaves none behind.

    Args:
        environment: The environment of every program.
        log_folder: Where each program's output goes, one file each, begun anew at every start.
        say: Called with each line meant for the person at the terminal.
    """

    def __init__(
        self, *, environment: Mapping[str, str], log_folder: Path, say: Callable[[str], None]
    ) -> None:
        self.environment = dict(environment)
        self.log_folder = log_folder
        self.say = say
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        self._signal: int | None = None

    def run(self, programs: Sequence[Program], *, once_started: Callable[[], None]) -> Ended:
        """Runs `programs` until a signal comes or one of them ends; then ends the others.

        `once_started` is called between the start and the wait; it should look at `is_over` where it takes long.
        """
        before = {
            number: signal.signal(number, self._note)
            for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
        }
        try:
            self.log_folder.mkdir(parents=True, exist_ok=True)
            for program in programs:
                self._running[program.name] = self._start(program)
            once_started()
            while not self.is_over():
                time.sleep(LOOK_EVERY_S)
            return self._why()
        finally:
            self._end_all()
            for number, handler in before.items():
                signal.signal(number, handler)

    def is_over(self) -> bool:
        """True once a signal came or a program ended."""
        return self._signal is not None or any(p.poll() is not None for p in self._running.values())

    def last_lines(self, name: str) -> str:
        """The end of a program's log, for the message that says why it died."""
        lines = self._log(name).read_text(encoding="utf-8", errors="replace").splitlines()
        return "\n".join(lines[-LAST_LINES:])

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self._signal = number

    def _why(self) -> Ended:
        if self._signal is not None:
            return Ended(signal_number=self._signal)
        name, process = next((n, p) for n, p in self._running.items() if p.poll() is not None)
        return Ended(program=name, exit_code=process.returncode)

    def _log(self, name: str) -> Path:
        return self.log_folder / f"{name}.log"

    def _start(self, program: Program) -> subprocess.Popen[bytes]:
        with self._log(program.name).open("wb") as log:
            return subprocess.Popen(  # noqa: S603 (the commands are the project's own, from serve)
                list(program.command),
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                preexec_fn=_end_with(os.getpid()),  # noqa: PLW1509 (no threads run yet in this command)
            )

    def _end_all(self) -> None:
        """SIGTERM to every program, a bounded wait, then SIGKILL to whatever is left of its group."""
        self.say("Ending " + ", ".join(self._running) + " ...")
        for process in self._running.values():
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
        deadline = time.monotonic() + STOP_WAIT_S
        for name, process in self._running.items():
            try:
                process.wait(timeout=max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                self.say(
                    f"{name} did not end within {STOP_WAIT_S:.0f} s and is killed; the next start finishes its jobs."
                )
            _kill_group(process.pid)
            process.wait(timeout=5)


def _kill_group(group: int) -> None:
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return


def _end_with(parent: int) -> Callable[[], None] | None:
    """On Linux: what makes a program end when the supervisor is killed outright and cannot end it."""
    if sys.platform != "linux":
        return None
    libc = ctypes.CDLL(None, use_errno=True)

    def ask() -> None:
        libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent:
            os.kill(os.getpid(), signal.SIGTERM)

    return ask
