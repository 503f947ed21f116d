"""The published problem format and its strict reader."""

import copy
import json
from pathlib import Path

import pytest

from clinic.calculation import NotCalculable
from therapy.scheduling.solving.checking import check_schedule
from therapy.scheduling.solving.example import DAY
from therapy.scheduling.solving.problem import read_problem, schema
from therapy.scheduling.solving.solve import Limits, schedule_day

PUBLISHED = Path(__file__).resolve().parents[4] / "fixtures" / "day-problem-1.schema.json"


def test_the_published_schema_is_the_one_of_the_reader():
    assert json.loads(PUBLISHED.read_text()) == schema()


def test_the_published_example_is_solved_whole():
    found = schedule_day(read_problem(DAY), limits=Limits(seconds=20))
    rows = [{"visit": v.visit, "therapist": v.therapist, "start": v.start} for v in found.visits]
    assert check_schedule(DAY, rows).violations == ()
    assert found.unplaced == ()


@pytest.mark.parametrize(
    ("path", "value", "field", "code"),
    [
        (("visits", 0, "minutes"), 0, "/visits/0/minutes", "out_of_range"),
        (("visits", 0, "minutes"), True, "/visits/0/minutes", "wrong_type"),
        (("visits", 0, "colour"), "x", "/visits/0/colour", "unknown_field"),
        (("visits", 0, "place"), "nowhere", "/visits/0/place", "inconsistent"),
        (("visits", 0, "latest"), -1, "/visits/0/latest", "out_of_range"),
        (("visits", 2, "earliest"), 61, "/visits/2/latest", "inconsistent"),
        (("visits", 1, "id"), "v1", "/visits", "inconsistent"),
        (("visits", 1, "usual_therapist"), "T9", "/visits/1/usual_therapist", "inconsistent"),
        (("visits", 1, "resources"), ["bed"], "/visits/1/resources", "inconsistent"),
        (("therapists", 0, "shifts"), [{"from": 9, "to": 9}], "/therapists/0/shifts", "inconsistent"),
        (("travel",), [[0, 5]], "/travel", "inconsistent"),
        (("links", 0, "second"), "v2", "/links/0", "inconsistent"),
        (("objective",), ["speed"], "/objective", "out_of_range"),
        (("objective",), {"travel": -1}, "/objective/travel", "out_of_range"),
        (("format",), "day-problem/2", "/format", "out_of_range"),
    ],
)
def test_what_does_not_fit_the_format_is_refused_with_its_place(path, value, field, code):
    day = copy.deepcopy(DAY)
    here = day
    for step in path[:-1]:
        here = here[step]
    here[path[-1]] = value
    with pytest.raises(NotCalculable) as refused:
        read_problem(day)
    assert (refused.value.field, refused.value.code) == (field, code)
