"""A doorbell that writes down who rang, and one kind of job that the tests steer."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pytest

from clinic.celery import app
from clinic.jobs import registry
from clinic.jobs.running import Running


@dataclass
class Doorbell:
    """Stands in for the broker at the one point where the app rings it."""

    rung: list[str] = field(default_factory=list)
    broken: bool = False

    def send_task(self, name: str, args: list[str]) -> None:
        if self.broken:
            raise OSError("no broker")
        self.rung.append(args[0])


@pytest.fixture
def doorbell(monkeypatch: pytest.MonkeyPatch) -> Doorbell:
    bell = Doorbell()
    monkeypatch.setattr(app, "send_task", bell.send_task)
    return bell


def quarter_hour(now: datetime) -> str:
    return f"{now:%Y-%m-%dT%H}:{now.minute // 15 * 15:02d}Z"


@pytest.fixture
def job_of() -> Iterator[Callable[[Callable[[Running], Any]], str]]:
    """Registers a function as the work of a kind for one test."""
    kept = dict(registry._handlers)

    def register(work: Callable[[Running], Any], kind: str = "count-pebbles") -> str:
        registry.handles(kind, title="Count pebbles", slot=quarter_hour)(work)
        return kind

    yield register
    registry._handlers.clear()
    registry._handlers.update(kept)
