"""Which techniques are ordered for a patient, told by the part that knows orders and stands further on the way.

Screening comes before orders and never imports them; at start-up that part hands over two functions.
"""

import datetime as dt
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

Teller = Callable[[Collection[UUID]], Mapping[UUID, Sequence[str]]]


@dataclass(frozen=True, slots=True)
class Ends:
    """Whether a technique is ordered, and when the order ends by itself; None where it has no end."""

    ordered: bool
    at: dt.datetime | None = None


EndTeller = Callable[[UUID, str], Ends]


def _nothing_ordered(patients: Collection[UUID]) -> Mapping[UUID, Sequence[str]]:
    return {}


def _nothing_ends(patient: UUID, technique: str) -> Ends:
    return Ends(ordered=False)


_teller: list[Teller] = [_nothing_ordered]
_end_teller: list[EndTeller] = [_nothing_ends]


def told_by(teller: Teller) -> Teller:
    """Take over how ordered techniques are found; returns what was in use, so that a test can put it back."""
    before = _teller[0]
    _teller[0] = teller
    return before


def techniques(patients: Collection[UUID]) -> dict[UUID, tuple[str, ...]]:
    """The techniques ordered for each patient now, each once; nothing where nothing is ordered."""
    found = _teller[0](patients)
    return {patient: tuple(dict.fromkeys(found.get(patient, ()))) for patient in patients}


def ends_told_by(teller: EndTeller) -> EndTeller:
    """Take over how the end of an order is found; returns what was in use, so that a test can put it back."""
    before = _end_teller[0]
    _end_teller[0] = teller
    return before


def ends(patient: UUID, technique: str) -> Ends:
    """Whether a technique is ordered for a patient now, and when that order ends by itself."""
    return _end_teller[0](patient, technique)
