"""Installations of their own: on SQLite with the broker in a folder, and on the PostgreSQL and Redis of .ci/run."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.operation.installation import Installation, new_postgresql_database


@pytest.fixture(
    params=[
        pytest.param("sqlite", marks=pytest.mark.slow),
        pytest.param("postgresql", marks=[pytest.mark.slow, pytest.mark.server]),
    ]
)
def installation(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Installation]:
    """A migrated, empty installation."""
    if request.param == "sqlite":
        found, drop = Installation(tmp_path, f"sqlite:///{tmp_path / 'clinic.sqlite3'}"), None
    else:
        url, drop = new_postgresql_database(os.environ["DATABASE_URL"])
        found = Installation(tmp_path, url, broker_url=_redis_of_this_process())
    found.manage("migrate", "--verbosity", "0")
    yield found
    found.close()
    if drop:
        drop()


def _redis_of_this_process() -> str:
    """A Redis database for each process of pytest, so that two workers never hear each other's bell."""
    base, _, _ = os.environ["CLINIC_BROKER_URL"].rpartition("/")
    number = os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")
    return f"{base}/{1 + int(number)}"
