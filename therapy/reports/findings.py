"""The sentences of a report: a finding as each title, made of the same values as the figures. Pure.

A finding says what the numbers say and nothing about why. Shares are written rounded and always with their counts.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from clinic import formats
from clinic.calendar import Week

Values = Mapping[str, Any]
GROUPS = ("service", "not_recorded", "patient")
BESIDE = ("clinical", "away")
GROUP_WORDS = {
    "patient": "Patient",
    "service": "Service",
    "not_recorded": "Not recorded",
    "clinical": "On hold",
    "away": "Away",
}
# Two shares of which the printed per cents differ by no more than this are called alike.
ALIKE_PERCENT = 2
NO_BREAK = "\u00a0"


def week_words(values: Values) -> str:
    """Week 47, 16 to 22-Nov-2026."""
    week = Week.parse(values["week"])
    return f"Week {week.number}, {formats.date_range(week.first_day, week.last_day)}"


def percent(share: float | None) -> str:
    """A share as a rounded per cent, or that nothing was due."""
    return "nothing due" if share is None else formats.percent(share).replace(" ", NO_BREAK)


def counts(figure: Values) -> str:
    """The counts behind a share: 12 in full, 2 in part, of 18 due."""
    return f"{figure['full']:,} in full, {figure['part']:,} in part, of {figure['due']:,} due"


def delivered(values: Values) -> str:
    """The title of the treatments delivered, with the four weeks before."""
    now, before = values["clinic"]["share"], values["before"]["share"]
    if now is None:
        return "No treatment was due"
    if before is None:
        return f"{percent(now)} of the treatments due were given"
    return f"{percent(now)} of the treatments due were given, {_compared(now, before)} the four weeks before"


def _compared(now: float, before: float) -> str:
    difference = round(now * 100) - round(before * 100)
    if abs(difference) <= ALIKE_PERCENT:
        return "much as in"
    return "more than in" if difference > 0 else "less than in"


def not_given(values: Values) -> str:
    """The title of what was not given: the largest group of reasons."""
    totals = group_totals(values["reasons"])
    due = sum(totals[group] for group in GROUPS)
    if not due:
        return "Every treatment that was due was given"
    largest = max(GROUPS, key=lambda group: (totals[group], -GROUPS.index(group)))
    why = {
        "service": "for the service's own reasons",
        "not_recorded": "left without an entry",
        "patient": "for the patient's reasons",
    }[largest]
    return f"{totals[largest]:,} of the {formats.count(due, 'treatment')} not given were {why}"


def group_totals(reasons: Values) -> dict[str, int]:
    """How many windows each group of reasons holds."""
    return {group: sum(number for _, number in reasons.get(group, ())) for group in (*GROUPS, *BESIDE)}


def sputum(values: Values) -> str:
    """The title of sputum by diagnosis group; says no more than where the medians lie."""
    known = [
        (group["volume_tenths_ml"]["median"], group["name"])
        for group in values["sputum"]
        if group["volume_tenths_ml"] and not group["volume_tenths_ml"]["few"]
    ]
    if not known:
        return "Too few patients for a median of sputum in any group"
    (low, low_name), (high, high_name) = min(known), max(known)
    if len(known) == 1 or low == high:
        return f"Median sputum a day: {ml(high)} ({high_name})"
    return f"Median sputum a day: from {ml(low)} ({low_name}) to {ml(high)} ({high_name})"


def ml(tenths: float) -> str:
    """An amount in tenths of a millilitre, as it is read."""
    return formats.quantity(round(tenths) / 10, "mL").replace(" ", NO_BREAK)


def reassessed(values: Values) -> str:
    """The title of the reassessments."""
    figure = values["reassessments"]
    if not figure["due"]:
        return "No reassessment fell due"
    return f"{figure['on_time']:,} of {formats.count(figure['due'], 'reassessment')} due were on time"


def events(values: Values) -> str:
    """The title of the adverse events, always beside how many treatments there were."""
    figure = values["events"]
    treatments = formats.count(figure["treatments"], "treatment")
    if not figure["number"]:
        return f"No adverse event was recorded in {treatments}"
    return f"{formats.count(figure['number'], 'adverse event')} in {treatments}"


def lead(values: Values) -> str:
    """The first sentences of the report."""
    sentences = [delivered(values), not_given(values), reassessed(values)]
    if not values["complete"]:
        sentences.insert(0, "The week is not over; what is still open counts nowhere")
    return ". ".join(sentences) + "."


def outcomes(values: Values, words: Mapping[str, str]) -> str:
    """What the reassessments of the week decided."""
    found = values["reassessments"]["outcomes"]
    if not found:
        return "None was made in this week."
    return (
        "Decided: " + ", ".join(f"{words.get(name, name)} {number:,}" for name, number in found.items()) + "."
    )


def weeks(values: Values) -> Sequence[tuple[date, float | None]]:
    """The Mondays of the last weeks with the share delivered in each."""
    return [(date.fromisoformat(week["first_day"]), week["share"]) for week in values["weeks"]]
