"""The version of the app, as it stands in pyproject.toml."""

import tomllib
from functools import cache
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent / "pyproject.toml"


@cache
def version() -> str:
    """The version of the app."""
    return str(tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]["version"])
