"""How often each condition made a clinician decide in a month, and what came of it. Pure.

Counts of rules, never of people: they say which question of the table is worth its interruption.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

# Safety conventions, section 5: overridden above 90 % in 20 firings is looked at. Both are a local convention.
ENOUGH = 20
MOST_OVERRIDDEN_PERCENT = 90


class Act(StrEnum):
    """What happened once to one technique of one patient."""

    SHOWN = "shown"
    PROCEED = "proceed"
    AGAINST = "against"
    OUTSIDE = "outside"
    LIFTED = "lifted"


@dataclass(frozen=True, slots=True)
class Happened:
    """One act and the conditions that it was about; it counts once for each of them."""

    act: Act
    conditions: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """One condition's counts of a month."""

    condition: str
    shown: int = 0
    proceed: int = 0
    against: int = 0
    outside: int = 0
    lifted: int = 0

    @property
    def decided(self) -> int:
        """Decisions of either kind."""
        return self.proceed + self.against

    @property
    def to_review(self) -> bool:
        """Whether it was gone past so often, over enough occasions, that the rule is worth looking at.

        Gone past: decided to proceed, or given outside the rules.
        """
        return (
            self.shown >= ENOUGH
            and 100 * (self.proceed + self.outside) > MOST_OVERRIDDEN_PERCENT * self.shown
        )


def counts(happened: Iterable[Happened], order: Iterable[str]) -> tuple[Counts, ...]:
    """The counts per condition, those most often shown first, else in the order of the table.

    Args:
        happened: everything of one month.
        order: the conditions of the table; a condition that is in it no longer comes last.
    """
    found: dict[str, dict[str, int]] = {}
    for one in happened:
        for condition in one.conditions:
            of = found.setdefault(condition, dict.fromkeys(Act, 0))
            of[one.act] += 1
    places: Mapping[str, int] = {key: place for place, key in enumerate(order)}
    rows = (
        Counts(condition=condition, **{str(act): number for act, number in of.items()})
        for condition, of in found.items()
    )
    return tuple(
        sorted(rows, key=lambda row: (-row.shown, places.get(row.condition, len(places)), row.condition))
    )
