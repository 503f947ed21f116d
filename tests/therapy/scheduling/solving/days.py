"""Small days for the tests: made by hand, at random, and solved by trying everything."""

import itertools

from hypothesis import strategies as st

from therapy.scheduling.solving.checking import check_schedule
from therapy.scheduling.solving.problem import FORMAT, OBJECTIVES


def therapist(name="T1", **given):
    return {
        "id": name, "start_place": None, "end_place": None, "shifts": [{"from": 0, "to": 8}], "breaks": [],
        "skills": [], "capacity": None,
    } | given  # fmt: skip


def visit(name, **given):
    return {
        "id": name, "place": None, "minutes": 2, "earliest": 0, "latest": 20, "hard_end": True, "skill": None,
        "patient": None, "priority": 5, "fixed": None, "usual_therapist": None, "load": 0, "resources": [],
    } | given  # fmt: skip


def link(first, second, **given):
    return {
        "first": first, "second": second, "min_gap": None, "max_gap": None, "same_start": False,
        "other_therapist": False, "both_or_neither": False,
    } | given  # fmt: skip


def problem(therapists, visits, **given):
    return {
        "format": FORMAT, "places": [], "travel": [], "therapists": therapists, "visits": visits, "links": [],
        "resources": [], "objective": ["unplaced_urgent", "unplaced"],
    } | given  # fmt: skip


def as_json(schedule):
    return [{"visit": v.visit, "therapist": v.therapist, "start": v.start} for v in schedule.visits]


@st.composite
def days(draw, visits=4, objective=None):
    """A day small enough to be tried out whole, with every kind of rule in it."""
    whole = st.integers
    places = ["A", "B"]
    way = draw(st.sampled_from([[[0, 0], [0, 0]], [[0, 1], [1, 0]], [[0, 2], [1, 0]]]))
    place = st.sampled_from([None, "A", "B"])
    maybe = st.sampled_from
    therapists = [
        therapist(
            f"T{i}",
            start_place=draw(place),
            end_place=draw(place),
            shifts=draw(maybe([[{"from": 0, "to": 7}], [{"from": 0, "to": 3}, {"from": 5, "to": 8}]])),
            breaks=draw(maybe([[], [{"from": 2, "to": 3}]])),
            skills=draw(maybe([[], ["a"]])),
            capacity=draw(maybe([None, 2])),
        )
        for i in range(draw(whole(1, 2)))
    ]
    if draw(st.booleans()):
        therapists = [{**therapists[0], "id": each["id"]} for each in therapists]
    names = [each["id"] for each in therapists]
    made = []
    for i in range(draw(whole(1, visits))):
        earliest = draw(whole(0, 4))
        made.append(
            visit(
                f"v{i}",
                place=draw(place),
                minutes=draw(whole(1, 3)),
                earliest=earliest,
                latest=earliest + draw(whole(0, 3)),
                hard_end=draw(st.booleans()),
                skill=draw(maybe([None, None, "a"])),
                patient=draw(maybe([None, "p", "q"])),
                priority=draw(maybe([1, 5])),
                usual_therapist=draw(maybe([None, *names])),
                load=draw(whole(0, 2)),
                resources=draw(maybe([[], [], ["m"]])),
            )
        )
    links = []
    if len(made) > 1 and draw(st.booleans()):
        low = draw(maybe([None, 0, 1, -1]))
        links.append(
            link(
                "v0",
                "v1",
                min_gap=low,
                max_gap=draw(maybe([None, 2, 4])),
                same_start=low is None and draw(st.booleans()),
                other_therapist=draw(st.booleans()),
                both_or_neither=draw(st.booleans()),
            )
        )
    return problem(
        therapists,
        made,
        places=places,
        travel=way,
        links=links,
        resources=[{"id": "m", "capacity": 1, "cleaning": draw(whole(0, 1))}],
        objective=objective or draw(st.permutations(OBJECTIVES).map(lambda names: list(names)[:3])),
    )


def every_schedule(day):
    """All schedules of a day that the checker finds whole."""
    choices = [
        [None, *((who["id"], start) for who in day["therapists"] for start in range(8))]
        for _ in day["visits"]
    ]

    def extend(at, chosen):
        if at == len(choices):
            if not check_schedule(day, chosen).violations:
                yield chosen
            return
        for choice in choices[at]:
            more = chosen
            if choice is not None:
                more = [
                    *chosen,
                    {"visit": day["visits"][at]["id"], "therapist": choice[0], "start": choice[1]},
                ]
                known = {"window", "skill", "shift", "break", "overlap", "patient", "resource"}
                if any(each.rule in known for each in check_schedule(day, more).violations):
                    continue
            yield from extend(at + 1, more)

    return extend(0, [])


def valued(day, chosen):
    """The objectives of a schedule, counted here from the JSON alone, in the problem's order."""
    at = {each["visit"]: each for each in chosen}
    late = [
        max(0, at[v["id"]]["start"] - v["latest"])
        for v in day["visits"]
        if v["id"] in at and not v["hard_end"]
    ]
    left = [v for v in day["visits"] if v["id"] not in at]
    work = {who["id"]: 0 for who in day["therapists"]}
    travel = 0
    for who in day["therapists"]:
        mine = sorted(
            (at[v["id"]]["start"], v["minutes"], v["place"])
            for v in day["visits"]
            if v["id"] in at and at[v["id"]]["therapist"] == who["id"]
        )
        work[who["id"]] = sum(minutes for _, minutes, _ in mine)
        stops = [who["start_place"], *(place for _, _, place in mine), who["end_place"]] if mine else []
        for one, other in itertools.pairwise(stops):
            if one and other:
                travel += day["travel"][day["places"].index(one)][day["places"].index(other)]
    return {
        "unplaced_urgent": sum(v["priority"] == 1 for v in left),
        "unplaced": len(left),
        "lateness_sum": sum(late),
        "lateness_max": max(late, default=0),
        "discontinuity": sum(
            v["usual_therapist"] not in (None, at[v["id"]]["therapist"])
            for v in day["visits"]
            if v["id"] in at
        ),
        "imbalance": max(work.values()) - min(work.values()),
        "travel": travel,
        "therapists_used": sum(each > 0 for each in work.values()),
    }
