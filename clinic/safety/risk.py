"""Clinical risk from severity and likelihood, as the open standard DCB0129 has it. Pure.

The two scales were read in a page that restates the DCB0160 implementation guidance, version 4.2; the cells of
the matrix and what each rating asks for are from memory. A clinical safety officer holds both against the
printed guidance before use.
"""

from enum import IntEnum


class Severity(IntEnum):
    """How bad the harm is."""

    MINOR = 1
    SIGNIFICANT = 2
    CONSIDERABLE = 3
    MAJOR = 4
    CATASTROPHIC = 5


class Likelihood(IntEnum):
    """How often the harm is expected."""

    VERY_LOW = 1
    LOW = 2
    MEDIUM = 3
    HIGH = 4
    VERY_HIGH = 5


SEVERITY_WORDS = {
    Severity.MINOR: "inconvenience or discomfort that passes",
    Severity.SIGNIFICANT: "an injury that passes without treatment",
    Severity.CONSIDERABLE: "an injury that needs treatment",
    Severity.MAJOR: "lasting injury",
    Severity.CATASTROPHIC: "death, or several people with lasting injury",
}
LIKELIHOOD_WORDS = {
    Likelihood.VERY_LOW: "under 5 %: conceivable",
    Likelihood.LOW: "5 to 25 %: not within two years",
    Likelihood.MEDIUM: "25 to 50 %: once within two years",
    Likelihood.HIGH: "50 to 90 %: once within a year",
    Likelihood.VERY_HIGH: "over 90 %: more than once within a year",
}
RATING_WORDS = {
    1: "acceptable",
    2: "acceptable where reducing it further is out of proportion",
    3: "undesirable: only where it cannot reasonably be reduced further",
    4: "must be reduced",
    5: "unacceptable",
}
# The highest residual rating with which the app is used at all.
HIGHEST_RESIDUAL = 3
_MATRIX = {
    Likelihood.VERY_HIGH: (3, 4, 4, 5, 5),
    Likelihood.HIGH: (2, 3, 3, 4, 5),
    Likelihood.MEDIUM: (2, 2, 3, 3, 4),
    Likelihood.LOW: (1, 2, 2, 3, 4),
    Likelihood.VERY_LOW: (1, 1, 2, 2, 3),
}


def risk(severity: Severity, likelihood: Likelihood) -> int:
    """The rating of a risk, 1 (acceptable) to 5 (unacceptable)."""
    return _MATRIX[likelihood][severity - 1]


def words(level: Severity | Likelihood) -> str:
    """A level as it stands in the hazard log: `very low`."""
    return level.name.replace("_", " ").lower()
