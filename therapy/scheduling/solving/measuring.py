"""The value of each objective for a given schedule. No Django."""

from itertools import pairwise

from therapy.scheduling.solving.day import Day
from therapy.scheduling.solving.problem import Problem


def measure(day: Day) -> dict[str, int]:
    """Every objective by name."""
    index = day.index
    problem = index.problem
    late = [
        max(0, day.placed[v.id].start - v.latest)
        for v in problem.visits
        if v.id in day.placed and v.fixed is None and not v.hard_end
    ]
    minutes = [day.minutes_of(who.id) for who in problem.therapists]
    left = [v for v in problem.visits if v.id not in day.placed]
    return {
        "unplaced_urgent": sum(v.urgent for v in left),
        "unplaced": len(left),
        "lateness_sum": sum(late),
        "lateness_max": max(late, default=0),
        "discontinuity": sum(
            v.usual_therapist not in (None, day.placed[v.id].therapist)
            for v in problem.visits
            if v.id in day.placed
        ),
        "imbalance": max(minutes, default=0) - min(minutes, default=0),
        "travel": sum(_travel(day, who.id) for who in problem.therapists),
        "therapists_used": sum(each > 0 for each in minutes),
    }


def weighed(values: dict[str, int], parts: tuple[tuple[str, int], ...]) -> int:
    """The value of one pass."""
    return sum(weight * values[name] for name, weight in parts)


def goals(problem: Problem) -> set[str]:
    """The objectives that count in this problem."""
    return {name for parts in problem.passes for name, weight in parts if weight}


def _travel(day: Day, name: str) -> int:
    who, index = day.index.therapists[name], day.index
    route = [index.visits[each].place for each in day.route(name)]
    if not route:
        return 0
    stops = [who.start_place, *route, who.end_place]
    return sum(index.way(one, other) for one, other in pairwise(stops))
