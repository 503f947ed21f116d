"""A first schedule in well under a second: urgent first, then earliest deadline, each where it fits best."""

from therapy.scheduling.solving.day import Day, Index, Schedule
from therapy.scheduling.solving.problem import Placing, Visit


def greedy(index: Index, hint: Schedule | None = None) -> Day:
    """Fill a day. What the hint holds and still fits keeps its place; the rest follows by deadline."""
    day = Day(index)
    order = sorted(
        index.problem.visits,
        key=lambda v: (v.fixed is None, v.id not in (hint or {}), v.priority, v.latest, v.earliest, v.id),
    )
    for visit in order:
        if visit.id in day.placed:
            continue
        group = together(index, visit)
        if not (hint and _as_hinted(day, group, hint)):
            place_all(day, group)
    return day


def together(index: Index, visit: Visit) -> list[Visit]:
    """The visit and all that are placed with it or not at all."""
    names, queue = {visit.id}, [visit.id]
    while queue:
        for link in index.links[queue.pop()]:
            fresh = {link.first, link.second} - names
            if link.both_or_neither and fresh:
                names |= fresh
                queue.extend(fresh)
    return [visit, *(each for each in index.problem.visits if each.id in names and each.id != visit.id)]


def place_all(day: Day, group: list[Visit]) -> bool:
    """Place the whole group, or nothing of it."""
    return any(_place_from(day, group, first_only=first_only) for first_only in (True, False))


def _place_from(day: Day, group: list[Visit], *, first_only: bool, tries: int = 400) -> bool:
    todo = [each for each in group if each.id not in day.placed]
    if not todo:
        return True
    visit, rest = todo[0], todo[1:]
    for at in choices(day, visit, every=not first_only and bool(rest))[: tries if rest else 1]:
        day.place(visit, at)
        if _place_from(day, rest, first_only=first_only, tries=20):
            return True
        day.remove(visit)
    return False


def choices(day: Day, visit: Visit, *, every: bool = False) -> list[Placing]:
    """Where the visit fits, best first: on time, with the usual therapist, early, after a short way."""
    index = day.index
    found = []
    for who in index.problem.therapists:
        if visit.skill is not None and visit.skill not in who.skills:
            continue
        starts = [visit.fixed.start] if visit.fixed else day.starts(visit, who)
        for start in starts:
            if day.fits(visit, who, start):
                late = 0 if visit.fixed else max(0, start - visit.latest)
                usual = visit.usual_therapist in (None, who.id)
                found.append(((late, not usual, start, day.minutes_of(who.id), who.id), who.id, start))
                if not every:
                    break
    return [Placing(who, start) for _, who, start in sorted(found)]


def _as_hinted(day: Day, group: list[Visit], hint: Schedule) -> bool:
    done: list[Visit] = []
    for visit in group:
        at = hint.get(visit.id)
        who = day.index.therapists.get(at.therapist) if at else None
        if at and who and visit.id not in day.placed and day.fits(visit, who, at.start):
            day.place(visit, at)
            done.append(visit)
        else:
            for each in done:
                day.remove(each)
            return False
    return True
