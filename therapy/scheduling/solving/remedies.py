"""Why a visit is left out, and one change that would let it in, tried before it is named. No Django."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from therapy.scheduling.solving.day import Day, Index
from therapy.scheduling.solving.greedy import choices, place_all, together
from therapy.scheduling.solving.problem import LATEST, Problem, Spell, Therapist, Visit

NO_SINGLE_CHANGE = "no single change"


@dataclass(frozen=True)
class Remedy:
    """One change of the problem with which the visit fits, all others held where they are.

    ``change`` is window, shift, skill, capacity or resource; ``of`` names what is changed, ``to`` its new value.
    """

    change: str
    of: str
    to: int | str
    therapist: str
    start: int


@dataclass(frozen=True)
class LeftOut:
    visit: str
    priority: int
    reason: str
    remedy: Remedy | str


def left_out(day: Day) -> list[LeftOut]:
    """The visits left out, most urgent first, each with its reason and a checked remedy."""
    missing = [v for v in day.index.problem.visits if v.id not in day.placed]
    missing.sort(key=lambda v: (v.priority, v.latest, v.id))
    return [LeftOut(v.id, v.priority, _reason(day.index, v), _remedy(day, v)) for v in missing]


def changed(problem: Problem, visit: Visit, remedy: Remedy) -> Problem:
    """The problem with the change of the remedy made."""
    if remedy.change == "window":
        start = int(remedy.to)
        new = replace(visit, earliest=min(visit.earliest, start), latest=max(visit.latest, start))
        return replace(problem, visits=tuple(new if v.id == visit.id else v for v in problem.visits))
    if remedy.change == "resource":
        more = tuple(
            replace(r, capacity=int(remedy.to)) if r.id == remedy.of else r for r in problem.resources
        )
        return replace(problem, resources=more)
    return replace(
        problem,
        therapists=tuple(_with(who, remedy) if who.id == remedy.of else who for who in problem.therapists),
    )


def _with(who: Therapist, remedy: Remedy) -> Therapist:
    if remedy.change == "skill":
        return replace(who, skills=who.skills | {str(remedy.to)})
    if remedy.change == "capacity":
        return replace(who, capacity=int(remedy.to))
    return replace(who, shifts=(*who.shifts[:-1], Spell(who.shifts[-1].start, int(remedy.to))))


def _reason(index: Index, visit: Visit) -> str:
    able = [who for who in index.problem.therapists if visit.skill is None or visit.skill in who.skills]
    if not able:
        return "no therapist of this day has the skill"
    last = visit.latest if visit.hard_end else LATEST
    if not any(
        max(each.start, visit.earliest) + visit.minutes <= each.end
        and max(each.start, visit.earliest) <= last
        for who in able
        for each in index.segments[who.id]
    ):
        return "no therapist with the skill is at work in its window"
    if len(together(index, visit)) > 1:
        return "no free time for it and the visits that go with it"
    return "no free time in its window beside the visits placed"


def _remedy(day: Day, visit: Visit) -> Remedy | str:
    for remedy in _candidates(day, visit):
        checked = _tried(day, visit, remedy)
        if checked is not None:
            return checked
    return NO_SINGLE_CHANGE


def _tried(day: Day, visit: Visit, remedy: Remedy) -> Remedy | None:
    """The remedy with where the visit then goes, or None where it does not help."""
    problem = changed(day.index.problem, visit, remedy)
    index = Index(problem)
    trial = Day(index)
    for name, at in day.placed.items():
        trial.place(index.visits[name], at)
    group = together(index, index.visits[visit.id])
    if not place_all(trial, group):
        return None
    at = trial.placed[visit.id]
    return replace(remedy, therapist=at.therapist, start=at.start)


def _candidates(day: Day, visit: Visit) -> Iterator[Remedy]:
    """Changes worth trying, the least of a nuisance first."""
    problem = day.index.problem
    for start in _other_starts(day, visit):
        yield Remedy("window", visit.id, start, "", 0)
    for who in problem.therapists:
        if who.shifts:
            yield from _longer_shift(day, visit, who)
    for who in problem.therapists:
        if visit.skill is not None and visit.skill not in who.skills:
            yield Remedy("skill", who.id, visit.skill, "", 0)
    for who in problem.therapists:
        needed = visit.load + sum(day.index.visits[each].load for each in day.route(who.id))
        if who.capacity is not None and needed > who.capacity:
            yield Remedy("capacity", who.id, needed, "", 0)
    for each in problem.resources:
        if each.id in visit.resources:
            yield Remedy("resource", each.id, each.capacity + 1, "", 0)


def _copy(day: Day, problem: Problem) -> Day:
    trial = Day(Index(problem))
    for name, at in day.placed.items():
        trial.place(trial.index.visits[name], at)
    return trial


def _other_starts(day: Day, visit: Visit) -> list[int]:
    """Starts outside the window, nearest first: the first that fits later, the last that fits earlier."""
    free = replace(visit, earliest=0, latest=LATEST)
    problem = day.index.problem
    trial = _copy(
        day, replace(problem, visits=tuple(free if v.id == visit.id else v for v in problem.visits))
    )
    later = replace(free, earliest=min(visit.latest + 1, LATEST))
    starts = {at.start for one in (free, later) for at in choices(trial, one, every=True)}
    outside = [start for start in starts if start < visit.earliest or start > visit.latest]
    return sorted(outside, key=lambda s: (max(visit.earliest - s, s - visit.latest), s))[:8]


def _longer_shift(day: Day, visit: Visit, who: Therapist) -> Iterator[Remedy]:
    """The shift end that lets the visit in with this therapist, if a longer shift does."""
    way = max((each for row in day.index.problem.travel for each in row), default=0)
    far = max(who.shifts[-1].end, visit.latest) + visit.minutes + 2 * way
    trial = _copy(day, changed(day.index.problem, visit, Remedy("shift", who.id, far, "", 0)))
    for at in choices(trial, visit):
        end = at.start + visit.minutes + trial.index.way(visit.place, who.end_place)
        if at.therapist == who.id and end > who.shifts[-1].end:
            yield Remedy("shift", who.id, end, "", 0)
