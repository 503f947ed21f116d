"""A small invented day in the published format: two therapists, four visits, one machine. No Django."""

from typing import Any


def _visit(name: str, place: str, minutes: int, window: tuple[int, int], **given: Any) -> dict[str, Any]:
    return {
        "id": name,
        "place": place,
        "minutes": minutes,
        "earliest": window[0],
        "latest": window[1],
        "hard_end": True,
        "skill": None,
        "patient": None,
        "priority": 5,
        "fixed": None,
        "usual_therapist": None,
        "load": 0,
        "resources": [],
    } | given


DAY: dict[str, Any] = {
    "format": "day-problem/1",
    "places": ["ward A", "ward B"],
    "travel": [[0, 5], [5, 0]],
    "therapists": [
        {
            "id": "T1",
            "start_place": "ward A",
            "end_place": None,
            "shifts": [{"from": 0, "to": 240}],
            "breaks": [{"from": 120, "to": 150}],
            "skills": ["assisted cough"],
            "capacity": None,
        },
        {
            "id": "T2",
            "start_place": "ward A",
            "end_place": None,
            "shifts": [{"from": 0, "to": 120}],
            "breaks": [],
            "skills": [],
            "capacity": None,
        },
    ],
    "visits": [
        _visit(
            "v1",
            "ward A",
            30,
            (0, 60),
            patient="P1",
            priority=1,
            skill="assisted cough",
            usual_therapist="T1",
        ),
        _visit("v2", "ward B", 45, (0, 90), patient="P2", resources=["device"], usual_therapist="T1"),
        _visit("v3", "ward B", 30, (0, 60), patient="P3", resources=["device"], hard_end=False),
        _visit("v4", "ward B", 20, (60, 180), patient="P2"),
    ],
    "links": [
        {
            "first": "v2",
            "second": "v4",
            "min_gap": 90,
            "max_gap": None,
            "same_start": False,
            "other_therapist": False,
            "both_or_neither": False,
        }
    ],
    "resources": [{"id": "device", "capacity": 1, "cleaning": 10}],
    "objective": ["unplaced_urgent", "unplaced", "lateness_sum", "discontinuity", "imbalance", "travel"],
}
