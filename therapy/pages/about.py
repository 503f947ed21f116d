"""What the app is for and what it is not for, its cautions, and the sources of its rules: read from the data files."""

from dataclasses import dataclass
from functools import cache

from clinic import formats
from clinic.version import version
from screening.table import current as rule_table
from therapy.orders.doses import TECHNIQUES, dose_fields, inhaled_medicines

SEEN_WORDS = {
    "read": "read",
    "part": "read in part, the rest from memory",
    "excerpt": "read in an excerpt",
    "abstract": "read in the abstract",
    "secondary": "read second hand",
    "none": "no document behind it: needs local sign-off",
}


@dataclass(frozen=True)
class SourceLine:
    """One source of the rule table, and how much of it was seen."""

    words: str
    seen: str


@dataclass(frozen=True)
class About:
    """What the page shows."""

    version: str
    table_version: str
    table_dated: str
    conditions: int
    techniques: list[str]
    starred: int
    sources: list[SourceLine]
    dose_sources: list[str]


@cache
def about() -> About:
    """The page's facts; they change only with a new version of the app."""
    table = rule_table()
    doses = {field.source for technique in TECHNIQUES for field in dose_fields(technique) if field.source}
    doses |= {medicine.source for medicine in inhaled_medicines().values()}
    return About(
        version=version(),
        table_version=table.version,
        table_dated=formats.date(table.dated),
        conditions=len(table.conditions),
        techniques=list(TECHNIQUES.values()),
        starred=sum(cell.star for cell in table.cells.values()),
        sources=[SourceLine(source.citation, SEEN_WORDS[source.seen]) for source in table.sources.values()],
        dose_sources=sorted(doses),
    )
