"""How long a decision may run: to the order's end where only standing conditions are weighed."""

import datetime as dt
from dataclasses import dataclass

from clinic import formats
from screening import ordered, table
from screening.decisions.rules import only_standing
from screening.holds import Guard

LONGEST = dt.timedelta(days=366)  # local convention


@dataclass(frozen=True)
class Offer:
    """Until when a decision may run at most, and the words of the choice."""

    until: dt.datetime
    label: str
    help_text: str


def to_order_end(patient_id: object, found: Guard, at: dt.datetime) -> Offer | None:
    """The offer that a decision runs to the order's end; None where a finding is of today or now, or nothing ordered.

    Whatever was answered otherwise meanwhile ends it all the same.
    """
    if not only_standing(found.findings, table.current()):
        return None
    ends = ordered.ends(patient_id, found.technique)  # type: ignore[arg-type]  # the id of a patient
    if not ends.ordered:
        return None
    longest = at + LONGEST
    if ends.at is None:
        return Offer(
            longest,
            f"The order has no end: until {formats.date_time(longest)}",
            f"The longest is {LONGEST.days} days. Every finding here holds until it is changed; "
            "another answer ends the decision earlier.",
        )
    until = min(ends.at, longest)
    return Offer(
        until,
        f"Until the order ends, {formats.date_time(until)}"
        if until == ends.at
        else f"The order ends later than {LONGEST.days} days: until {formats.date_time(until)}",
        "Every finding here holds until it is changed; another answer ends the decision earlier.",
    )
