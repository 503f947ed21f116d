"""Runs the whole service on one computer, for the demo and for trying out: `make run`."""

import hashlib
import json
import os
import signal
import socket
import sys
import time
import urllib.request
from http.client import HTTPException
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError

from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command, get_commands
from django.core.management.base import BaseCommand, CommandError

from clinic.supervisor import Program, Supervisor

READY_WAIT_S = 60.0


def programs(python: str = sys.executable) -> list[Program]:
    """The processes of the service, as in docker-compose.yml; here the worker does one job at a time itself."""
    celery = [python, "-m", "celery", "--quiet", "--app", "clinic.celery:app"]
    return [
        Program(
            "web",
            [python, "-m", "gunicorn", "--config", "python:clinic.web_server", "clinic.wsgi:application"],
        ),
        Program("worker", [*celery, "worker", "--pool", "solo", "--without-gossip", "--without-mingle"]),
        Program("beat", [*celery, "beat", "--pidfile="]),
    ]


class Command(BaseCommand):
    """Prepares the database and files, then runs web, worker and beat until Ctrl-C."""

    help = "Prepare the database, load the demo clinic where there is none, and run web, worker and beat."
    requires_system_checks = []

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.ENVIRONMENT.production:
            raise CommandError(
                "serve is for trying out; in production docker-compose.yml starts each process."
            )
        port = settings.ENVIRONMENT.port
        self._refuse_a_taken_port(port)
        self._prepare()
        self.stdout.write("Starting web, worker and beat ...")
        self.stdout.flush()
        supervisor = Supervisor(
            environment=os.environ,
            log_folder=settings.DATA_DIR / "log",
            say=self.stdout.write,
        )
        ended = supervisor.run(programs(), once_started=lambda: self._greet_when_ready(supervisor, port))
        if ended.signal_number is not None:
            self.stdout.write(f"Ended by {signal.Signals(ended.signal_number).name}: all processes are down.")
            return
        self.stderr.write(supervisor.last_lines(ended.program))
        raise CommandError(
            f"{ended.program} ended by itself with {ended.exit_code}, so the others were ended too. "
            f"Its log is {settings.DATA_DIR / 'log' / (ended.program + '.log')}."
        )

    def _refuse_a_taken_port(self, port: int) -> None:
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((os.environ.get("CLINIC_BIND", "127.0.0.1"), port))
            except OSError as error:
                raise CommandError(
                    f"Port {port} cannot be used ({error.strerror}). Choose another with PORT, "
                    f"for example: PORT={port + 1 if port < 65535 else 8000} make run"
                ) from error

    def _prepare(self) -> None:
        call_command("migrate", interactive=False, verbosity=0)
        if settings.TRAINING_DATA and "load_demo" in get_commands():
            call_command("load_demo", if_empty=True, stdout=self.stdout)
        self._collect_static()

    def _collect_static(self) -> None:
        """Collects the static files anew only where one of them has changed."""
        found = hashlib.sha256()
        for finder in get_finders():
            for name, storage in finder.list([]):
                status = Path(storage.path(name)).stat()
                found.update(f"{name} {status.st_size} {status.st_mtime_ns}\n".encode())
        kept = settings.STATIC_ROOT / "collected"
        if kept.is_file() and kept.read_text(encoding="utf-8") == found.hexdigest():
            return
        call_command("collectstatic", interactive=False, verbosity=0, clear=True)
        kept.write_text(found.hexdigest(), encoding="utf-8")

    def _greet_when_ready(self, supervisor: Supervisor, port: int) -> None:
        address = f"http://localhost:{port}/"
        deadline = time.monotonic() + READY_WAIT_S
        while not supervisor.is_over():
            wanting = _not_ready(f"http://127.0.0.1:{port}/health/ready")
            if not wanting:
                self.stdout.write(f"Ready at {address}   Ctrl-C ends it.   Logs: {settings.DATA_DIR / 'log'}")
                break
            if time.monotonic() > deadline:
                self.stdout.write(f"Started at {address}, but not ready yet: {wanting}")
                break
            time.sleep(0.2)
        if settings.TRAINING_DATA and "demo_accounts" in get_commands():
            call_command("demo_accounts", stdout=self.stdout)
        self.stdout.flush()


def _not_ready(url: str) -> str:
    """What /health/ready still wants, in words; empty once it is green."""
    try:
        with urllib.request.urlopen(url, timeout=5):  # noqa: S310 (the address is this command's own)
            return ""
    except HTTPError as error:
        checks = json.load(error).get("checks", {})
        return ", ".join(f"{name}: {check['detail']}" for name, check in checks.items() if not check["ok"])
    except (URLError, HTTPException, OSError) as error:
        return f"web does not answer ({error})"
