"""Checks a schedule against its problem, from the JSON of both alone: shares nothing with the solver. No Django.

Violations name the rule, the visits and the therapist. Wishes (a soft end, the usual therapist) are no violations.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Violation:
    rule: str
    visits: tuple[str, ...]
    therapist: str | None
    message: str


@dataclass(frozen=True)
class Checked:
    """What is broken, and how much is left out."""

    violations: tuple[Violation, ...]
    unplaced: int


def check_schedule(problem: dict[str, Any], schedule: list[dict[str, Any]]) -> Checked:
    """Every rule of the problem that the schedule breaks, each time it is broken."""
    visits = {each["id"]: each for each in problem["visits"]}
    therapists = {each["id"]: each for each in problem["therapists"]}
    found: list[Violation] = []
    given: dict[str, dict[str, Any]] = {}
    for entry in schedule:
        name, who = entry["visit"], entry["therapist"]
        if name not in visits:
            found.append(Violation("unknown", (name,), None, "This visit is not in the problem."))
        elif who not in therapists:
            found.append(Violation("unknown", (name,), who, "This therapist is not in the problem."))
        elif name in given:
            found.append(Violation("twice", (name,), who, "This visit stands twice in the schedule."))
        else:
            given[name] = {
                "visit": visits[name],
                "therapist": who,
                "start": entry["start"],
                "end": entry["start"] + visits[name]["minutes"],
            }
    for row in given.values():
        found.extend(_alone(row, therapists[row["therapist"]]))
    for each in therapists.values():
        found.extend(_round(problem, each, [row for row in given.values() if row["therapist"] == each["id"]]))
    found.extend(_fixed(problem, given))
    found.extend(_patients(problem, list(given.values())))
    found.extend(_links(problem, given))
    found.extend(_resources(problem, list(given.values())))
    return Checked(tuple(found), len(visits) - len(given))


def _alone(row: dict[str, Any], therapist: dict[str, Any]) -> Iterator[Violation]:
    visit, who = row["visit"], row["therapist"]
    names = (visit["id"],)
    if not visit["fixed"]:
        if row["start"] < visit["earliest"]:
            yield Violation("window", names, who, "It starts before its window.")
        if visit["hard_end"] and row["start"] > visit["latest"]:
            yield Violation("window", names, who, "It starts after its window.")
    if visit["skill"] is not None and visit["skill"] not in therapist["skills"]:
        yield Violation("skill", names, who, "The therapist has not the skill.")
    if not any(s["from"] <= row["start"] and row["end"] <= s["to"] for s in therapist["shifts"]):
        yield Violation("shift", names, who, "It does not lie within a shift.")
    if any(b["from"] < row["end"] and row["start"] < b["to"] for b in therapist["breaks"]):
        yield Violation("break", names, who, "It lies in a break.")


def _round(
    problem: dict[str, Any], therapist: dict[str, Any], rows: list[dict[str, Any]]
) -> Iterator[Violation]:
    """One therapist's day: no two at once, time for every way, load within capacity."""
    who = therapist["id"]
    rows = sorted(rows, key=lambda row: (row["start"], row["end"]))
    load = sum(row["visit"]["load"] for row in rows)
    if therapist["capacity"] is not None and load > therapist["capacity"]:
        names = tuple(row["visit"]["id"] for row in rows)
        yield Violation("capacity", names, who, "The load is above the therapist's capacity.")
    if not rows or not therapist["shifts"]:
        return
    first = {"end": therapist["shifts"][0]["from"], "place": therapist["start_place"]}
    last = {"start": therapist["shifts"][-1]["to"], "place": therapist["end_place"]}
    stops = [first, *({**row, "place": row["visit"]["place"]} for row in rows), last]
    for i in range(len(stops) - 1):
        one, other = stops[i], stops[i + 1]
        names = tuple(stop["visit"]["id"] for stop in (one, other) if "visit" in stop)
        if len(names) == 2 and other["start"] < one["end"]:
            yield Violation("overlap", names, who, "The therapist would be in two places at once.")
        elif one["place"] is not None and other["place"] is not None:
            places = problem["places"]
            way = problem["travel"][places.index(one["place"])][places.index(other["place"])]
            if way > 0 and _minutes_at_work(therapist, one["end"], other["start"]) < way:
                yield Violation("travel", names, who, "There is no time for the way.")


def _minutes_at_work(therapist: dict[str, Any], start: int, end: int) -> int:
    total = 0
    for shift in therapist["shifts"]:
        low, high = max(start, shift["from"]), min(end, shift["to"])
        if low < high:
            total += high - low
            for pause in therapist["breaks"]:
                total -= max(0, min(high, pause["to"]) - max(low, pause["from"]))
    return total


def _fixed(problem: dict[str, Any], given: dict[str, dict[str, Any]]) -> Iterator[Violation]:
    for visit in problem["visits"]:
        fixed, row = visit["fixed"], given.get(visit["id"])
        if fixed and (
            row is None or (row["therapist"], row["start"]) != (fixed["therapist"], fixed["start"])
        ):
            yield Violation(
                "fixed", (visit["id"],), fixed["therapist"], "A fixed visit was moved or left out."
            )


def _patients(problem: dict[str, Any], rows: list[dict[str, Any]]) -> Iterator[Violation]:
    linked = {frozenset((link["first"], link["second"])) for link in problem["links"]}
    for i, one in enumerate(rows):
        for other in rows[i + 1 :]:
            names = (one["visit"]["id"], other["visit"]["id"])
            same = (
                one["visit"]["patient"] is not None and one["visit"]["patient"] == other["visit"]["patient"]
            )
            at_once = one["start"] < other["end"] and other["start"] < one["end"]
            if same and at_once and frozenset(names) not in linked:
                yield Violation("patient", names, None, "One patient would have two treatments at once.")


def _links(problem: dict[str, Any], given: dict[str, dict[str, Any]]) -> Iterator[Violation]:
    for link in problem["links"]:
        names = (link["first"], link["second"])
        one, other = given.get(names[0]), given.get(names[1])
        if one is None or other is None:
            if link["both_or_neither"] and (one or other):
                yield Violation("link", names, None, "One is placed without the other.")
            continue
        gap = other["start"] - one["start"]
        if link["min_gap"] is not None and gap < link["min_gap"]:
            yield Violation("link", names, None, "The second starts too soon after the first.")
        if link["max_gap"] is not None and gap > link["max_gap"]:
            yield Violation("link", names, None, "The second starts too late after the first.")
        if link["same_start"] and gap != 0:
            yield Violation("link", names, None, "They do not start together.")
        if link["other_therapist"] and one["therapist"] == other["therapist"]:
            yield Violation("link", names, one["therapist"], "The same therapist has both.")


def _resources(problem: dict[str, Any], rows: list[dict[str, Any]]) -> Iterator[Violation]:
    for each in problem["resources"]:
        held = [
            (row["start"], row["end"] + each["cleaning"], row["visit"]["id"])
            for row in rows
            if each["id"] in row["visit"]["resources"]
        ]
        for moment, _, _ in held:
            users = tuple(name for start, end, name in held if start <= moment < end)
            if len(users) > each["capacity"]:
                yield Violation("resource", users, None, f"{each['id']} is wanted by too many at once.")
