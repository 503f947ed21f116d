"""The list of checks over the whole database: each names what must stay true and finds the rows that break it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from django.db import models


@dataclass(frozen=True)
class Finding:
    """One row that breaks what must stay true. Holds no name of a patient."""

    table: str
    id: str
    words: str


Find = Callable[[], Iterable[Finding]]


@dataclass(frozen=True)
class Check:
    """One thing that must stay true of the records."""

    name: str
    words: str
    find: Find


_checks: dict[str, Check] = {}


def holds(words: str) -> Callable[[Find], Find]:
    """Registers a function as the check that these words hold; its name is the check's name."""

    def register(find: Find) -> Find:
        _checks[find.__name__] = Check(find.__name__, words, find)
        return find

    return register


def checks() -> list[Check]:
    """Every check, in the order in which they are written down."""
    from therapy.pages.record_checks import (  # noqa: F401 - they register themselves
        care,
        guarding,
        lifts,
        numbers,
        people,
        policy,
        shapes,
        treatments,
    )

    return list(_checks.values())


def found(row: models.Model | Any, words: str) -> Finding:
    """A finding about a row."""
    return Finding(row._meta.label, str(row.pk), words)
