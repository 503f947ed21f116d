"""Which other techniques are less constrained for one patient, and by how much. No recommendation. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from screening.rules import SEVERITY, Result


@dataclass(frozen=True, slots=True)
class Weighed:
    """What one technique's result rests on: each finding in words, the strictest first, and how many rows are open."""

    result: Result
    findings: Sequence[str]
    open_rows: int


@dataclass(frozen=True, slots=True)
class Less:
    """A technique that fewer or milder findings constrain."""

    technique: str
    result: Result
    findings: int
    open_rows: int
    strictest: str


def less_constrained(technique: str, weighed: Mapping[str, Weighed]) -> tuple[Less, ...]:
    """The techniques whose result is less strict than this one's, the least constrained first.

    Order: the result, then the number of findings, then the rows still open, then as they stand in `weighed`. It
    says nothing of whether a technique helps, and is never a recommendation.
    """
    limit = SEVERITY[weighed[technique].result]
    found = [
        Less(key, one.result, len(one.findings), one.open_rows, one.findings[0] if one.findings else "")
        for key, one in weighed.items()
        if SEVERITY[one.result] < limit
    ]
    return tuple(sorted(found, key=lambda one: (SEVERITY[one.result], one.findings, one.open_rows)))
