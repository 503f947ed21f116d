"""A whole installation of its own for one test: data folder, database, broker, and real processes."""

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg

PROJECT = Path(__file__).resolve().parents[2]
WAIT_S = 90.0
CELERY = [sys.executable, "-m", "celery", "--quiet", "--app", "clinic.celery:app"]
WORKER = [*CELERY, "worker", "--concurrency", "1", "--without-gossip", "--without-mingle"]


@dataclass
class Installation:
    """Everything runs in processes of its own, as in service; the test only starts, kills and looks."""

    folder: Path
    database_url: str
    broker_url: str = ""
    settings: str = "tests.operation.settings"
    _started: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def environment(self) -> dict[str, str]:
        kept = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("CLINIC_", "DATABASE_URL", "PORT", "PYTEST_"))
        }
        return kept | {
            "DJANGO_SETTINGS_MODULE": self.settings,
            "CLINIC_DATA_DIR": str(self.folder),
            "DATABASE_URL": self.database_url,
            "CLINIC_BROKER_URL": self.broker_url,
        }

    def manage(self, *arguments: str) -> str:
        """Runs a management command to its end; its output."""
        command = [sys.executable, "manage.py", *arguments]
        done = subprocess.run(
            command,
            cwd=PROJECT,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        assert done.returncode == 0, f"{' '.join(arguments)}\n{done.stdout}\n{done.stderr}"
        return done.stdout

    def python(self, code: str) -> Any:
        """Runs code with the app loaded; the JSON it prints last."""
        lines = self.manage("shell", "--no-imports", "--command", code).splitlines()
        return json.loads(lines[-1]) if lines else None

    def start(self, command: list[str], log: str, **environment: str) -> subprocess.Popen[bytes]:
        """Starts a process in a process group of its own; its output goes to `log` in the folder."""
        with (self.folder / log).open("ab") as output:
            process = subprocess.Popen(
                command,
                cwd=PROJECT,
                env=self.environment | environment,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        self._started.append(process)
        return process

    def start_worker(self) -> subprocess.Popen[bytes]:
        return self.start(WORKER, "worker.log")

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Looks into the database past the app, as somebody else would."""
        if self.database_url.startswith("sqlite"):
            connection = sqlite3.connect(self.database_url.removeprefix("sqlite:///"), timeout=20)
            try:
                return list(connection.execute(query))
            finally:
                connection.close()
        with psycopg.connect(self.database_url) as connected:
            return list(connected.execute(query.encode()))

    def close(self) -> None:
        """Leaves no process behind."""
        for process in self._started:
            kill_outright(process)


def kill_outright(process: subprocess.Popen[bytes]) -> None:
    """SIGKILL to the process and all its children: no handler runs, nothing is tidied up."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait(timeout=10)


def wait_until(
    what: str, is_so: Callable[[], Any], *, seconds: float = WAIT_S, log: Path | None = None
) -> Any:
    """The first true answer of `is_so`; fails with the log where none comes in time."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        answer = is_so()
        if answer:
            return answer
        time.sleep(0.05)
    said = log.read_text(encoding="utf-8", errors="replace")[-4000:] if log and log.is_file() else ""
    raise AssertionError(f"waited {seconds:.0f} s in vain until {what}\n{said}")


def new_postgresql_database(url: str) -> tuple[str, Callable[[], None]]:
    """A database of its own on the server of `url`, and what drops it again."""
    name = f"operation_{uuid4().hex[:12]}"
    base, _, _ = url.rpartition("/")
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"'.encode())

    def drop() -> None:
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)'.encode())

    return f"{base}/{name}", drop
