"""Published vehicle-routing instances with time windows, proven at their published cost.

Source: Solomon 1987, Oper Res 35:254-265, the first 25 customers of each; customers as a public copy of the data set
gives them, vehicles (25), capacities and the depot's closing time from memory of the paper's data set. Costs with
distances truncated to tenths: Kohl and others 1999, Transp Sci 33:101-116 (from memory). Values are compared, never
schedules.
"""

import csv
import math
from pathlib import Path

import pytest

from therapy.scheduling.solving.checking import check_schedule
from therapy.scheduling.solving.problem import read_problem
from therapy.scheduling.solving.solve import Limits, schedule_day

DATA = Path(__file__).with_name("solomon_25.csv")
CAPACITY = {"C101": 200, "R101": 200, "RC101": 200, "C201": 700, "R201": 1000}
COST_TENTHS = {"C101": 1913, "R101": 6171, "RC101": 4611, "C201": 2147, "R201": 4633}
VEHICLES = 25


def instance(name):
    """The published fields under the names of the problem format; times and distances in tenths."""
    with DATA.open(newline="") as file:
        rows = [{k: v if k == "instance" else int(v) for k, v in row.items()} for row in csv.DictReader(file)]
    rows = [row for row in rows if row["instance"] == name]
    depot, customers = rows[0], rows[1:]
    places = [str(row["customer"]) for row in rows]
    return {
        "format": "day-problem/1",
        "places": places,
        "travel": [
            [math.isqrt(100 * ((a["x"] - b["x"]) ** 2 + (a["y"] - b["y"]) ** 2)) for b in rows] for a in rows
        ],
        "therapists": [
            {
                "id": f"vehicle {i}",
                "start_place": "0",
                "end_place": "0",
                "shifts": [{"from": depot["ready"], "to": 10 * depot["due"]}],
                "breaks": [],
                "skills": [],
                "capacity": CAPACITY[name],
            }
            for i in range(VEHICLES)
        ],
        "visits": [
            {
                "id": str(row["customer"]),
                "place": str(row["customer"]),
                "minutes": 10 * row["service"],
                "earliest": 10 * row["ready"],
                "latest": 10 * row["due"],
                "hard_end": True,
                "skill": None,
                "patient": None,
                "priority": 5,
                "fixed": None,
                "usual_therapist": None,
                "load": row["demand"],
                "resources": [],
            }
            for row in customers
        ],
        "links": [],
        "resources": [],
        "objective": ["unplaced", "travel"],
    }


@pytest.mark.slow
@pytest.mark.parametrize("name", COST_TENTHS)
def test_a_published_instance_is_proven_at_its_published_cost(name):
    problem = instance(name)
    found = schedule_day(read_problem(problem), limits=Limits(seconds=90))
    rows = [{"visit": v.visit, "therapist": v.therapist, "start": v.start} for v in found.visits]
    assert check_schedule(problem, rows).violations == ()
    assert [(p.value, p.proven) for p in found.passes] == [(0, True), (COST_TENTHS[name], True)]
