"""Where a visit fits into a day that is partly filled: used by the greedy start and by the remedies. No Django."""

from bisect import insort
from collections import defaultdict
from collections.abc import Iterator, Mapping
from functools import cached_property

from therapy.scheduling.solving.problem import Link, Placing, Problem, Spell, Therapist, Visit

Schedule = Mapping[str, Placing]


def segments(who: Therapist) -> list[Spell]:
    """The times of work without a pause in them: shifts less breaks."""
    found = []
    for shift in who.shifts:
        at = shift.start
        for pause in who.breaks:
            if pause.end <= at or pause.start >= shift.end:
                continue
            if pause.start > at:
                found.append(Spell(at, pause.start))
            at = pause.end
        if at < shift.end:
            found.append(Spell(at, shift.end))
    return found


class Index:
    """A problem with its look-ups made once."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.visits = {each.id: each for each in problem.visits}
        self.therapists = {each.id: each for each in problem.therapists}
        self.resources = {each.id: each for each in problem.resources}
        self.segments = {each.id: segments(each) for each in problem.therapists}
        self.links: dict[str, list[Link]] = defaultdict(list)
        for link in problem.links:
            self.links[link.first].append(link)
            self.links[link.second].append(link)
        self._place = {name: at for at, name in enumerate(problem.places)}

    def way(self, one: str | None, other: str | None) -> int:
        if one is None or other is None:
            return 0
        return self.problem.travel[self._place[one]][self._place[other]]

    @cached_property
    def of_patient(self) -> dict[str, list[Visit]]:
        found: dict[str, list[Visit]] = defaultdict(list)
        for visit in self.problem.visits:
            if visit.patient is not None:
                found[visit.patient].append(visit)
        return found

    def apart(self, visit: Visit) -> list[Visit]:
        """The visits of the same patient that may not overlap this one."""
        linked = {name for link in self.links[visit.id] for name in (link.first, link.second)}
        same = self.of_patient.get(visit.patient, []) if visit.patient is not None else []
        return [each for each in same if each.id != visit.id and each.id not in linked]

    def worked(self, who: str, time: int) -> int:
        """Working time of a therapist before ``time``."""
        return sum(max(0, min(each.end, time) - each.start) for each in self.segments[who])

    def after_work(self, who: str, time: int, work: int) -> int | None:
        """The first time of work with ``work`` done since ``time``; None past the last shift."""
        for each in self.segments[who]:
            left = each.end - max(each.start, time)
            if left <= 0:
                continue
            if work < left:
                return max(each.start, time) + work
            work -= left
        return None


class Day:
    """A day that fills up, one visit at a time."""

    def __init__(self, index: Index) -> None:
        self.index = index
        self.placed: dict[str, Placing] = {}
        self._days: dict[str, list[tuple[int, int, str]]] = {each: [] for each in index.therapists}
        self._load: dict[str, int] = dict.fromkeys(index.therapists, 0)
        self._uses: dict[str, list[tuple[int, int, str]]] = {each: [] for each in index.resources}

    def place(self, visit: Visit, at: Placing) -> None:
        entry = (at.start, at.start + visit.minutes, visit.id)
        self.placed[visit.id] = at
        insort(self._days[at.therapist], entry)
        self._load[at.therapist] += visit.load
        for name in visit.resources:
            self._uses[name].append(entry)

    def remove(self, visit: Visit) -> None:
        at = self.placed.pop(visit.id)
        entry = (at.start, at.start + visit.minutes, visit.id)
        self._days[at.therapist].remove(entry)
        self._load[at.therapist] -= visit.load
        for name in visit.resources:
            self._uses[name].remove(entry)

    def minutes_of(self, who: str) -> int:
        return sum(end - start for start, end, _ in self._days[who])

    def route(self, who: str) -> list[str]:
        return [name for _, _, name in self._days[who]]

    def starts(self, visit: Visit, who: Therapist) -> list[int]:
        """Every start that is the least of some free stretch, in order: no feasible stretch begins elsewhere."""
        index = self.index
        found: set[int | None] = {visit.earliest, *(each.start for each in index.segments[who.id])}
        if who.shifts:
            found.add(index.after_work(who.id, who.shifts[0].start, index.way(who.start_place, visit.place)))
        for _, end, other in self._days[who.id]:
            found.add(index.after_work(who.id, end, index.way(index.visits[other].place, visit.place)))
        for each in index.apart(visit):
            if each.id in self.placed:
                found.add(self.placed[each.id].start + each.minutes)
        found.update(self._linked_starts(visit))
        for name in visit.resources:
            cleaning = index.resources[name].cleaning
            found.update(end + cleaning for _, end, _ in self._uses[name])
        return sorted(each for each in found if each is not None)

    def _linked_starts(self, visit: Visit) -> Iterator[int]:
        for link in self.index.links[visit.id]:
            other = self.placed.get(link.second if link.first == visit.id else link.first)
            if other is None:
                continue
            if link.same_start:
                yield other.start
            if link.second == visit.id and link.min_gap is not None:
                yield other.start + link.min_gap
            if link.first == visit.id and link.max_gap is not None:
                yield other.start - link.max_gap

    def fits(self, visit: Visit, who: Therapist, start: int) -> bool:
        """Whether nothing hard stands against it, the rest held as placed."""
        if visit.fixed is not None:
            if (who.id, start) != (visit.fixed.therapist, visit.fixed.start):
                return False
        elif start < visit.earliest or (visit.hard_end and start > visit.latest):
            return False
        return (
            (visit.skill is None or visit.skill in who.skills)
            and (who.capacity is None or self._load[who.id] + visit.load <= who.capacity)
            and self._fits_the_therapist(visit, who, start)
            and self._fits_the_patient(visit, start)
            and all(self._fits_link(visit, who, start, link) for link in self.index.links[visit.id])
            and all(self._fits_resource(visit, start, name) for name in visit.resources)
        )

    def _fits_the_therapist(self, visit: Visit, who: Therapist, start: int) -> bool:
        index, end = self.index, start + visit.minutes
        if not any(each.start <= start and end <= each.end for each in index.segments[who.id]):
            return False
        before, after = None, None
        for entry in self._days[who.id]:
            if entry[1] <= start:
                before = entry
            elif entry[0] >= end:
                after = entry
                break
            else:
                return False
        since = who.shifts[0].start if before is None else before[1]
        came_from = who.start_place if before is None else index.visits[before[2]].place
        until = who.shifts[-1].end if after is None else after[0]
        goes_to = who.end_place if after is None else index.visits[after[2]].place
        return self._time_for(who, since, start, index.way(came_from, visit.place)) and self._time_for(
            who, end, until, index.way(visit.place, goes_to)
        )

    def _time_for(self, who: Therapist, since: int, until: int, way: int) -> bool:
        return way == 0 or self.index.worked(who.id, until) - self.index.worked(who.id, since) >= way

    def _fits_the_patient(self, visit: Visit, start: int) -> bool:
        for each in self.index.apart(visit):
            at = self.placed.get(each.id)
            if at and at.start < start + visit.minutes and start < at.start + each.minutes:
                return False
        return True

    def _fits_link(self, visit: Visit, who: Therapist, start: int, link: Link) -> bool:
        other = self.placed.get(link.second if link.first == visit.id else link.first)
        if other is None:
            return True
        gap = other.start - start if link.first == visit.id else start - other.start
        return (
            (link.min_gap is None or gap >= link.min_gap)
            and (link.max_gap is None or gap <= link.max_gap)
            and (not link.same_start or gap == 0)
            and (not link.other_therapist or other.therapist != who.id)
        )

    def _fits_resource(self, visit: Visit, start: int, name: str) -> bool:
        resource = self.index.resources[name]
        end = start + visit.minutes + resource.cleaning
        over = [(s, e + resource.cleaning) for s, e, _ in self._uses[name]]
        over = [(s, e) for s, e in over if s < end and start < e]
        times = [start, *(s for s, _ in over if s > start)]
        return all(sum(s <= t < e for s, e in over) < resource.capacity for t in times)
