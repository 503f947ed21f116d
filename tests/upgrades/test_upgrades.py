"""A database that an earlier version left behind is brought to this one, and every record still holds true."""

import gzip
import sqlite3
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
from django.db import connection

from tests.upgrades.make_dumps import HERE, manage

SQLITE = sorted(HERE.glob("*.sqlite.sql.gz"))
POSTGRESQL = sorted(HERE.glob("*.postgresql.sql.gz"))
COUNTED = (
    "clinic_patient",
    "screening_answer",
    "therapy_order",
    "therapy_treatmentsession",
    "clinic_measurement",
    "clinic_auditevent",
)


def statements(path: Path) -> str:
    return gzip.decompress(path.read_bytes()).decode()


def counts_of(there):
    """How many rows the tables hold that no upgrade may thin out."""
    return {
        table: there.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]  # noqa: S608 - names of our own tables
        for table in COUNTED
    }


def brought_up_to_date(folder: Path, url: str) -> None:
    """Migrate, and check what must stay true."""
    for arguments in (("migrate", "--verbosity=0"), ("migrate", "--check"), ("check_records",)):
        done = manage(*arguments, folder=folder, url=url)
        assert done.returncode == 0, f"{arguments[0]}:\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"


def test_there_is_a_dump_for_each_database_and_each_is_small():
    assert SQLITE
    assert [path.name.split(".sqlite")[0] for path in SQLITE] == [
        path.name.split(".postgresql")[0] for path in POSTGRESQL
    ]
    for path in (*SQLITE, *POSTGRESQL):
        assert path.stat().st_size < 600_000, f"{path.name} is not small any more"


@pytest.mark.slow
@pytest.mark.parametrize("path", SQLITE, ids=lambda path: path.name)
def test_an_sqlite_database_of_an_earlier_version_is_brought_up_to_date(path, tmp_path):
    database = tmp_path / "clinic.sqlite3"
    with sqlite3.connect(database) as there:
        there.executescript(statements(path))
        before = counts_of(there)
    brought_up_to_date(tmp_path, f"sqlite:///{database}")
    with sqlite3.connect(database) as there:
        after = counts_of(there)
    assert before == after, "an upgrade loses no clinical row and adds none"
    assert all(before.values())


@contextmanager
def a_database_of_its_own():
    """An empty database on the server of the tests, and its address."""
    settings = connection.settings_dict
    password = f":{settings['PASSWORD']}" if settings["PASSWORD"] else ""
    netloc = f"{settings['USER']}{password}@{settings['HOST']}:{settings['PORT'] or 5432}"
    server = urlsplit(f"postgresql://{netloc}/postgres")
    name = "upgrade_of_a_dump"
    with psycopg.connect(urlunsplit(server), autocommit=True) as there:
        there.execute(f'DROP DATABASE IF EXISTS "{name}"')
        there.execute(f'CREATE DATABASE "{name}"')
    try:
        yield urlunsplit(server._replace(path=f"/{name}"))
    finally:
        with psycopg.connect(urlunsplit(server), autocommit=True) as there:
            there.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


@pytest.mark.slow
@pytest.mark.server
@pytest.mark.skipif(connection.vendor != "postgresql", reason="needs the PostgreSQL of .ci/run")
@pytest.mark.parametrize("path", POSTGRESQL, ids=lambda path: path.name)
def test_a_postgresql_database_of_an_earlier_version_is_brought_up_to_date(path, tmp_path):
    with a_database_of_its_own() as url:
        with psycopg.connect(url, autocommit=True) as there:
            # Without parameters a whole script goes to the server as it stands.
            there.execute(statements(path).encode())
        with psycopg.connect(url) as there:
            before = counts_of(there)
        brought_up_to_date(tmp_path, url)
        with psycopg.connect(url) as there:
            assert counts_of(there) == before, "an upgrade loses no clinical row and adds none"
        assert all(before.values())
