"""The clinic's own wait after a meal as a threshold of the rule table: longer than the table's, never shorter. Pure."""

import functools
from dataclasses import replace
from types import MappingProxyType

from screening.table import Table, Threshold

CLINIC_NUMBER = "head_down_meal_wait_minutes"
TECHNIQUE = "head_down_drainage"
ROW, NUMBER = "meal_within_waiting_time", "minutes_since_meal"
POLICY = "head-down wait "


def minutes(table: Table, setting: int) -> int:
    """How long head-down drainage waits after a meal, in minutes: the clinic's setting, at least the table's."""
    return max(setting, listed(table))


def listed(table: Table) -> int:
    """The table's own wait for head-down drainage, in minutes."""
    bounds = [
        one.less_than
        for one in table.conditions[ROW].thresholds
        if one.number == NUMBER and one.technique in ("", TECHNIQUE) and one.less_than is not None
    ]
    return round(max(bounds))


def policy(table: Table, setting: int) -> str:
    """How a screening notes that it was answered under a longer wait than the table's; empty where it was not."""
    longer = minutes(table, setting)
    return "" if longer == listed(table) else f"{POLICY}{longer}"


def under(table: Table, noted: str) -> Table:
    """The table with the wait that a screening noted; the table itself where it noted none.

    Raises: ValueError for a note that is none of `policy`.
    """
    if not noted:
        return table
    if not noted.startswith(POLICY):
        raise ValueError(f"{noted!r} is no local policy that this version knows.")
    return _waiting(table, minutes(table, int(noted.removeprefix(POLICY))))


@functools.lru_cache(maxsize=32)
def _waiting(table: Table, wait: int) -> Table:
    """The table with one more threshold, for head-down drainage alone: kept, so that what follows from it is too."""
    row = table.conditions[ROW]
    own = Threshold(
        condition=ROW,
        number=NUMBER,
        technique=TECHNIQUE,
        at_least=None,
        more_than=None,
        at_most=None,
        less_than=wait,
        asked_when="",
        asked_more_than=None,
        rules_out=False,
        seen="local",
        note="the clinic's own wait, longer than the table's",
    )
    longer = replace(row, thresholds=(*row.thresholds, own))
    return replace(table, conditions=MappingProxyType({**table.conditions, ROW: longer}))
