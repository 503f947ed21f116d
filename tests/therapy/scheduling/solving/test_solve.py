"""The solver against everything there is: small days tried out whole, judged by a checker of its own."""

import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clinic.calculation import NotCalculable
from tests.therapy.scheduling.solving.days import (
    as_json,
    days,
    every_schedule,
    link,
    problem,
    therapist,
    valued,
    visit,
)
from therapy.scheduling.solving.checking import check_schedule
from therapy.scheduling.solving.day import Day, Index
from therapy.scheduling.solving.problem import OBJECTIVES, Placing, read_problem
from therapy.scheduling.solving.remedies import Remedy, changed
from therapy.scheduling.solving.solve import Limits, schedule_day

SHORT = Limits(seconds=20)


def solved(day, **more):
    return schedule_day(read_problem(day), limits=SHORT, **more)


def best_of(day):
    return min(tuple(valued(day, each)[name] for name in day["objective"]) for each in every_schedule(day))


@pytest.mark.slow
@settings(max_examples=60)
@given(days(visits=3))
def test_a_small_day_is_as_good_as_the_best_of_all_its_schedules_pass_by_pass(day):
    found = solved(day)
    assert check_schedule(day, as_json(found)).violations == ()
    assert all(each.proven and each.bound == each.value for each in found.passes)
    assert tuple(each.value for each in found.passes) == best_of(day)
    assert tuple(valued(day, as_json(found))[name] for name in day["objective"]) == best_of(day)


@pytest.mark.slow
@pytest.mark.parametrize("objective", OBJECTIVES)
@settings(max_examples=8)
@given(data=st.data())
def test_each_objective_behind_placing_all_is_proven_at_its_best(objective, data):
    order = list(dict.fromkeys(["unplaced", objective]))
    day = data.draw(days(visits=3, objective=order))
    found = solved(day)
    assert check_schedule(day, as_json(found)).violations == ()
    assert tuple(each.value for each in found.passes) == best_of(day)


@pytest.mark.slow
@settings(max_examples=40)
@given(days(visits=5, objective=["unplaced"]))
def test_every_remedy_lets_its_visit_in_with_all_others_where_they_are(day):
    read = read_problem(day)
    found = schedule_day(read, limits=SHORT)
    for left in found.unplaced:
        assert left.reason
        if not isinstance(left.remedy, Remedy):
            assert left.remedy == "no single change"
            continue
        other = Index(changed(read, Index(read).visits[left.visit], left.remedy))
        trial = Day(other)
        for each in found.visits:
            trial.place(other.visits[each.visit], Placing(each.therapist, each.start))
        who = other.therapists[left.remedy.therapist]
        assert trial.fits(other.visits[left.visit], who, left.remedy.start)


def test_a_weighted_sum_trades_one_objective_for_another():
    visits = [visit("a", hard_end=False, latest=0), visit("b", hard_end=False, latest=0)]
    two = [therapist("T1"), therapist("T2")]
    cheap = solved(problem(two, visits, objective={"therapists_used": 3, "lateness_sum": 1, "unplaced": 99}))
    assert [each.value for each in cheap.passes] == [5]  # one therapist, the second visit two late
    dear = solved(problem(two, visits, objective={"therapists_used": 1, "lateness_sum": 1, "unplaced": 99}))
    assert [each.value for each in dear.passes] == [2]


def test_what_is_left_out_stands_urgent_first_with_reason_and_the_change_that_helps():
    day = problem(
        [therapist(shifts=[{"from": 0, "to": 4}])],
        [
            visit("long", minutes=4, latest=0, priority=1),
            visit("routine", minutes=2, latest=0),
            visit("skilled", skill="a", priority=2, latest=0, minutes=1),
        ],
    )
    found = solved(day)
    assert [(left.visit, left.priority) for left in found.unplaced] == [("skilled", 2), ("routine", 5)]
    skilled, routine = found.unplaced
    assert skilled.reason == "no therapist of this day has the skill"
    assert skilled.remedy == "no single change"  # with the skill there would still be no time
    assert routine.reason == "no free time in its window beside the visits placed"
    assert routine.remedy == "no single change"  # later needs a longer shift as well
    day["therapists"][0]["shifts"][0]["to"] = 6
    routine = solved(day).unplaced[1]
    assert (routine.remedy.change, routine.remedy.to, routine.remedy.start) == ("window", 4, 4)


def test_visits_of_one_patient_that_share_a_link_are_bound_by_the_link_alone():
    pair = [visit("a", patient="p", latest=0), visit("b", patient="p", latest=0)]
    two = [therapist("T1"), therapist("T2")]
    assert solved(problem(two, pair)).passes[1].value == 1
    assert solved(problem(two, pair, links=[link("a", "b", same_start=True)])).passes[1].value == 0


def test_fixed_visits_stay_and_fixed_visits_that_contradict_each_other_are_refused():
    fixed = {"therapist": "T1", "start": 3}
    day = problem([therapist()], [visit("a", latest=0, fixed=fixed), visit("b")])
    assert {"visit": "a", "therapist": "T1", "start": 3} in as_json(solved(day))
    day["visits"][1]["fixed"] = {"therapist": "T1", "start": 4}
    with pytest.raises(NotCalculable) as refused:
        solved(day)
    assert refused.value.code == "inconsistent"


def test_it_tells_what_it_found_and_stops_when_asked_with_a_whole_schedule():
    told = []
    day = problem([therapist()], [visit(f"v{i}", latest=3) for i in range(4)])
    found = solved(day, on_progress=told.append)
    assert told
    assert told[-1].placed == 4 - found.passes[-1].value
    stopped = solved(day, should_stop=lambda: True)
    assert stopped.stopped
    assert check_schedule(day, as_json(stopped)).violations == ()


def test_a_hint_that_is_already_the_best_is_kept_as_it_is():
    day = problem([therapist("T1"), therapist("T2")], [visit("a"), visit("b")])
    hint = {"a": Placing("T2", 5), "b": Placing("T1", 1)}
    assert {each.visit: Placing(each.therapist, each.start) for each in solved(day, hint=hint).visits} == hint


def test_no_page_waits_for_the_solver_library():
    script = "import sys, therapy.calculate; print('ortools' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
