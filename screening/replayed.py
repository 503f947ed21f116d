"""What a stored screening said, worked out again from its answers by the table of its own version. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from screening import rules
from screening.rules import Answer
from screening.table import Table


@dataclass(frozen=True, slots=True)
class Stored:
    """One technique's result as it was stored, with the explanation that was shown."""

    technique: str
    result: str
    explanation: Mapping[str, Any]


def replay(answers: Mapping[str, Answer], table: Table) -> dict[str, rules.TechniqueResult]:
    """The result per technique as it stood when it was screened: each answer counts, whatever its age is now.

    Args:
        answers: the stored ones.
        table: of the stored version, under the policy that the screening noted.

    Raises:
        NotCalculable: where the answers contradict each other, or the table does not know one.
    """
    return rules.screen({key: Answer(one.value) for key, one in answers.items()}, table)


def differences(stored: Iterable[Stored], again: Mapping[str, rules.TechniqueResult]) -> tuple[str, ...]:
    """Where what was stored is not what its answers give: one line per technique, none where all agree."""
    kept = {one.technique: one for one in stored}
    found = []
    for technique in dict.fromkeys((*again, *kept)):
        if technique not in kept:
            found.append(f"{technique}: no result is stored")
        elif technique not in again:
            found.append(f"{technique}: the table of its version has no such technique")
        elif kept[technique].result != again[technique].result:
            said, gives = kept[technique].result, again[technique].result
            found.append(f"{technique}: stored {said}, its answers give {gives}")
        elif _shown(kept[technique].explanation) != _weighed(again[technique]):
            found.append(f"{technique}: its explanation is not that of its answers")
    return tuple(found)


def _shown(explanation: Mapping[str, Any]) -> list[tuple[str, str, str, str | float]]:
    return [(one["condition"], one["grade"], one["result"], one["answer"]) for one in explanation["because"]]


def _weighed(found: rules.TechniqueResult) -> list[tuple[str, str, str, str | float]]:
    return [
        (part.cell.condition, str(part.cell.grade), str(part.result), part.answer)
        for part in found.contributions
    ]
