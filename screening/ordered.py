"""Which techniques are ordered for a patient, told by the part that knows orders and stands further on the way.

Screening comes before orders and never imports them; at start-up that part hands over one function.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from uuid import UUID

Teller = Callable[[Collection[UUID]], Mapping[UUID, Sequence[str]]]


def _nothing_ordered(patients: Collection[UUID]) -> Mapping[UUID, Sequence[str]]:
    return {}


_teller: list[Teller] = [_nothing_ordered]


def told_by(teller: Teller) -> Teller:
    """Take over how ordered techniques are found; returns what was in use, so that a test can put it back."""
    before = _teller[0]
    _teller[0] = teller
    return before


def techniques(patients: Collection[UUID]) -> dict[UUID, tuple[str, ...]]:
    """The techniques ordered for each patient now, each once; nothing where nothing is ordered."""
    found = _teller[0](patients)
    return {patient: tuple(dict.fromkeys(found.get(patient, ()))) for patient in patients}
