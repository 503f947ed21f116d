"""The day schedule at the size of a department, beside earliest-deadline greedy in the same run.

.venv/bin/python -m tests.bench.day_schedule [SEEDS]
"""

import random
import sys
from statistics import median
from time import perf_counter

from tests.therapy.scheduling.solving.days import as_json, problem, therapist, visit
from therapy.scheduling.solving.checking import check_schedule
from therapy.scheduling.solving.day import Index
from therapy.scheduling.solving.greedy import greedy
from therapy.scheduling.solving.measuring import measure
from therapy.scheduling.solving.problem import read_problem
from therapy.scheduling.solving.solve import Limits, schedule_day

TARGET_S, DAY = 5.0, 480
OBJECTIVE = ["unplaced_urgent", "unplaced", "lateness_sum"]


def a_day(visits, therapists, load, seed, *, places=0, objective=OBJECTIVE):
    """Invented: shifts of eight hours, half an hour's break, minutes scaled to the load wanted."""
    draw = random.Random(seed)  # noqa: S311 - an invented day needs no secrets
    minutes = [draw.randint(15, 45) for _ in range(visits)]
    scale = load * therapists * (DAY - 30) / sum(minutes)
    names = [f"T{i}" for i in range(therapists)]
    spots = [(draw.randint(0, 6), draw.randint(0, 6)) for _ in range(places)]
    made = []
    for i, each in enumerate(minutes):
        earliest = draw.randrange(0, DAY - 150, 5)
        made.append(
            visit(
                f"v{i}",
                place=str(draw.randrange(places)) if places else None,
                minutes=max(1, int(each * scale)),
                earliest=earliest,
                latest=earliest + draw.choice([60, 90, 120]),
                hard_end=draw.random() < 0.5,
                skill="a" if draw.random() < 0.2 else None,
                patient=f"p{i // 2}",
                priority=draw.choice([1, 5, 5, 5]),
                usual_therapist=draw.choice(names),
            )
        )
    return problem(
        [
            therapist(
                name,
                shifts=[{"from": 0, "to": DAY}],
                breaks=[{"from": 210 + 30 * (i % 2), "to": 240 + 30 * (i % 2)}],
                skills=["a"] if i % 2 else [],
            )
            for i, name in enumerate(names)
        ],
        made,
        places=[str(i) for i in range(places)],
        travel=[[abs(a - c) + abs(b - d) for c, d in spots] for a, b in spots],
        objective=objective,
    )


def measured(day, seconds):
    """Greedy and solver on the same day: seconds and values of both, and whether every pass is proven."""
    read = read_problem(day)
    began = perf_counter()
    first = measure(greedy(Index(read)))
    at_first = perf_counter() - began
    found = schedule_day(read, limits=Limits(seconds=seconds))
    took = perf_counter() - began - at_first
    assert not check_schedule(day, as_json(found)).violations
    return at_first, [first[name] for name in day["objective"]], took, found


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    schedule_day(read_problem(a_day(4, 2, 1.5, 0)))  # the library's import is no part of the solving
    times = []
    for seed in range(seeds):
        load = 0.80 + 0.10 * seed / max(1, seeds - 1)
        at_first, first, took, found = measured(a_day(120, 8, load, seed), 30)
        times.append(took)
        values = [(p.value, p.bound, p.proven) for p in found.passes]
        print(f"120 x 8, load {load:.2f}: greedy {at_first:.2f} s {first}, solver {took:.2f} s {values}")
    print(f"median {median(times):.2f} s (target {TARGET_S:g} s), worst {max(times):.2f} s")
    for size in (50, 100, 200, 400):
        day = a_day(size, size // 16, 0.85, 1, places=12)
        at_first, first, took, found = measured(day, 30)
        values = [(p.value, p.bound, p.proven) for p in found.passes]
        print(f"{size} x {size // 16} with travel: greedy {at_first:.2f} s {first}, {took:.2f} s {values}")


if __name__ == "__main__":
    main()
