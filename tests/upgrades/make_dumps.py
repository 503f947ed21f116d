"""Writes an SQL dump of the small demo as this version stores it, for the upgrade test of every later version.

Run once for a released version, and keep what it writes:

    .venv/bin/python -m tests.upgrades.make_dumps            SQLite
    DATABASE_URL=postgres://... .venv/bin/python -m tests.upgrades.make_dumps      PostgreSQL, an empty database

A dump that is there is never written again: it stands for what an installation of that version holds.
"""

import gzip
import os
import sqlite3
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent


def version() -> str:
    """The version of the app, the first part of the dump's name."""
    return str(tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"])


def manage(*arguments: str, folder: Path, url: str) -> subprocess.CompletedProcess[str]:
    """Run a command of the app against a database of its own."""
    environment = {
        name: value for name, value in os.environ.items() if not name.startswith(("CLINIC_", "DATABASE_"))
    }
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=environment | {"CLINIC_DATA_DIR": str(folder), "DATABASE_URL": url},
        capture_output=True,
        text=True,
        check=False,
    )


def dump_of_sqlite(path: Path) -> str:
    """Every statement that makes the database again."""
    with sqlite3.connect(path) as connection:
        return "\n".join(connection.iterdump()) + "\n"


def dump_of_postgresql(url: str) -> str:
    """The same by pg_dump, as plain statements without those that only its own client understands."""
    done = subprocess.run(
        ["pg_dump", "--no-owner", "--no-privileges", "--no-comments", "--rows-per-insert=200", url],
        capture_output=True,
        text=True,
        check=True,
    )
    return "".join(line for line in done.stdout.splitlines(keepends=True) if not line.startswith("\\"))


def write(name: str, statements: str) -> Path:
    """Keep a dump, always the same bytes for the same statements; one that is there stays as it is."""
    path = HERE / name
    if path.exists():
        raise SystemExit(f"{path.relative_to(ROOT)} is there already: a dump stands for what was released.")
    with path.open("wb") as file, gzip.GzipFile(fileobj=file, mode="wb", filename="", mtime=0) as packed:
        packed.write(statements.encode())
    return path


def main() -> None:
    """Make the database of the small demo and write its dump."""
    given = os.environ.get("DATABASE_URL", "")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = given or f"sqlite:///{folder / 'clinic.sqlite3'}"
        for arguments in (("migrate", "--verbosity=0"), ("load_demo", "--small"), ("check_records",)):
            done = manage(*arguments, folder=folder, url=url)
            if done.returncode:
                raise SystemExit(done.stdout + done.stderr)
        statements = dump_of_postgresql(given) if given else dump_of_sqlite(folder / "clinic.sqlite3")
        path = write(f"{version()}.{'postgresql' if given else 'sqlite'}.sql.gz", statements)
        sys.stdout.write(f"{path.relative_to(ROOT)}: {path.stat().st_size:,} bytes\n")


if __name__ == "__main__":
    main()
