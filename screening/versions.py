"""Earlier versions of the rule table, kept so that what was screened under them can be read and replayed.

A version is never edited once it has been used: a change is a new version, and the one before it moves to
``versions/<version>/`` with its digest. No Django.
"""

import functools
import hashlib
import tomllib
from pathlib import Path

from screening import table as tables
from screening.table import Table, TableRefused

FILES = ("cells.csv", "conditions.csv", "numbers.csv", "sources.csv", "table.toml", "thresholds.csv")
KEPT, DIGESTS = "versions", "digests.toml"


def of(version: str) -> Table:
    """The table of a version: the one in force, or one that is kept.

    Raises:
        TableRefused: where that version is not kept, or its files are no longer what they were.
    """
    in_force = tables.current()
    return in_force if version == in_force.version else _kept(tables.DIRECTORY, version)


def known(version: str) -> Table | None:
    """The table of a version, None where it is not kept whole."""
    try:
        return of(version)
    except TableRefused:
        return None


def digest(directory: Path) -> str:
    """SHA-256 over the names and bytes of a table's files."""
    found = hashlib.sha256()
    for name in FILES:
        content = (directory / name).read_bytes()
        found.update(f"{name} {len(content)}\n".encode())
        found.update(content)
    return found.hexdigest()


def digests(directory: Path) -> dict[str, str]:
    """The recorded digest of each version that was ever in force, by version."""
    recorded = tomllib.loads((directory / KEPT / DIGESTS).read_text(encoding="utf-8"))
    return {str(version): str(value) for version, value in recorded.items()}


@functools.lru_cache(maxsize=16)
def _kept(directory: Path, version: str) -> Table:
    folder = directory / KEPT / version
    recorded = digests(directory).get(version)
    if recorded is None or not folder.is_dir():
        raise TableRefused(f"version {version!r} of the rule table is not kept")
    if digest(folder) != recorded:
        raise TableRefused(f"{KEPT}/{version}: its files are no longer those that were used")
    found = tables.load(folder)
    if found.version != version:
        raise TableRefused(f"{KEPT}/{version}: says that it is version {found.version}")
    return found
