"""The day as a constraint model. Imported only when something is to be solved: the library takes over a second.

Therapists who cannot be told apart in a problem share one variable per visit ("crew"), so that no time goes into
proving the same day with the names exchanged.
"""

from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from ortools.sat.python import cp_model

from therapy.scheduling.solving.day import Day, Index
from therapy.scheduling.solving.measuring import goals
from therapy.scheduling.solving.problem import Link, Placing, Spell, Therapist, Visit

Crew = list[Therapist]


def crews(index: Index, *, routed: bool) -> list[Crew]:
    """Therapists in groups that are alike in everything that this problem asks."""
    problem, wanted = index.problem, goals(index.problem)
    named = {v.fixed.therapist for v in problem.visits if v.fixed}
    if "discontinuity" in wanted:
        named |= {v.usual_therapist for v in problem.visits if v.usual_therapist}
    alone = "imbalance" in wanted or any(link.other_therapist for link in problem.links)
    if not routed:
        alone |= "therapists_used" in wanted or any(who.capacity is not None for who in problem.therapists)
    groups: dict[Any, Crew] = defaultdict(list)
    for who in problem.therapists:
        alike = (who.start_place, who.end_place, who.shifts, who.breaks, who.skills, who.capacity)
        groups[who.id if alone or who.id in named else alike].append(who)
    return list(groups.values())


def is_routed(index: Index) -> bool:
    """Whether the order of visits matters: some way takes time."""
    problem = index.problem
    used = {v.place for v in problem.visits}
    used |= {each for who in problem.therapists for each in (who.start_place, who.end_place)}
    return any(index.way(one, other) for one in used for other in used)


class Model:
    """Variables and constraints of one problem; objectives by name in ``terms``."""

    def __init__(self, index: Index) -> None:
        self.index, self.visits = index, index.problem.visits
        self.routed = is_routed(index)
        self.crews = crews(index, routed=self.routed)
        self.cp = cp_model.CpModel()
        self.number = {v.id: i for i, v in enumerate(self.visits)}
        self.present: list[Any] = []
        self.start: list[Any] = []
        self.clock: list[Any] = []  # start less the pauses before it: working time
        self.with_crew: dict[tuple[int, int], Any] = {}
        self.in_segment: dict[tuple[int, int, int], Any] = {}
        self.arcs: dict[tuple[int, int], Any] = {}
        self.sets_out: dict[tuple[int, int], Any] = {}
        self.comes_back: dict[tuple[int, int], Any] = {}
        self.late: dict[int, Any] = {}
        for i, visit in enumerate(self.visits):
            self._visit(i, visit)
        self._one_at_a_time()
        self._all_hands()
        self._patients()
        for link in index.problem.links:
            self._link(link)
        self._resources()
        if self.routed:
            self._routes()
        self._loads()
        self.terms = self._objectives()

    def _options(self, visit: Visit) -> Iterator[tuple[int, int, Spell, int]]:
        """Crew, segment, least and last start in it, and the pauses before it, wherever the visit may go."""
        for c, crew in enumerate(self.crews):
            who = crew[0]
            if visit.skill is not None and visit.skill not in who.skills:
                continue
            if visit.fixed and visit.fixed.therapist != who.id:
                continue
            pauses, before = 0, who.shifts[0].start if who.shifts else 0
            for g, segment in enumerate(self.index.segments[who.id]):
                pauses += segment.start - before
                before = segment.end
                span = _starts_within(visit, segment)
                if span.start <= span.end:
                    yield c, g, span, pauses

    def _visit(self, i: int, visit: Visit) -> None:
        cp, options = self.cp, list(self._options(visit))
        spans = [[o[2].start, o[2].end] for o in options] or [[visit.earliest, visit.earliest]]
        self.start.append(cp.new_int_var_from_domain(cp_model.Domain.from_intervals(spans), f"s{i}"))
        low = min((o[2].start - o[3] for o in options), default=0)
        high = max((o[2].end - o[3] for o in options), default=0)
        self.clock.append(cp.new_int_var(low, high, f"w{i}"))
        self.present.append(cp.new_bool_var(f"p{i}"))
        if visit.fixed:
            cp.add(self.present[i] == 1)
        by_crew: dict[int, list[Any]] = defaultdict(list)
        for c, g, span, pauses in options:
            here = self.in_segment[i, c, g] = cp.new_bool_var(f"q{i},{c},{g}")
            by_crew[c].append(here)
            cp.add(self.start[i] >= span.start).only_enforce_if(here)
            cp.add(self.start[i] <= span.end).only_enforce_if(here)
            if self.routed:
                cp.add(self.clock[i] == self.start[i] - pauses).only_enforce_if(here)
        for c, segments in by_crew.items():
            self.with_crew[i, c] = cp.new_bool_var(f"x{i},{c}")
            cp.add(sum(segments) == self.with_crew[i, c])
        cp.add(sum(self.with_crew[i, c] for c in by_crew) == self.present[i])

    def _interval(self, i: int, when: Any, name: str, more: int = 0) -> Any:
        minutes = self.visits[i].minutes + more
        return self.cp.new_optional_fixed_size_interval_var(self.start[i], minutes, when, name)

    def _one_at_a_time(self) -> None:
        for c, crew in enumerate(self.crews):
            intervals = [self._interval(i, x, f"i{i},{k}") for (i, k), x in self.with_crew.items() if k == c]
            if len(crew) == 1:
                self.cp.add_no_overlap(intervals)
            elif intervals:
                self.cp.add_cumulative(intervals, [1] * len(intervals), len(crew))

    def _all_hands(self) -> None:
        """Redundant, and what makes the bound: no more visits at any time than therapists at work."""
        segments = [s for who in self.index.problem.therapists for s in self.index.segments[who.id]]
        if not segments or not self.visits:
            return
        self.all_intervals = [self._interval(i, self.present[i], f"a{i}") for i in range(len(self.visits))]
        times = sorted({t for s in segments for t in (s.start, s.end)})
        hands = len(self.index.problem.therapists)
        intervals, demands = list(self.all_intervals), [1] * len(self.visits)
        for one, other in pairwise(times):
            missing = hands - sum(s.start <= one < s.end for s in segments)
            if missing:
                intervals.append(self.cp.new_fixed_size_interval_var(one, other - one, f"off{one}"))
                demands.append(missing)
        self.cp.add_cumulative(intervals, demands, hands)

    def _patients(self) -> None:
        for name, visits in self.index.of_patient.items():
            numbers = [self.number[v.id] for v in visits]
            whole = {i: self._interval(i, self.present[i], f"p{name},{i}") for i in numbers}
            if not any(self.index.links[v.id] for v in visits):
                self.cp.add_no_overlap(whole.values())
                continue
            for visit in visits:
                for other in self.index.apart(visit):
                    i, j = self.number[visit.id], self.number[other.id]
                    if i < j:
                        self.cp.add_no_overlap([whole[i], whole[j]])

    def _link(self, link: Link) -> None:
        cp, one, other = self.cp, self.number[link.first], self.number[link.second]
        both = (self.present[one], self.present[other])
        gap = self.start[other] - self.start[one]
        if link.min_gap is not None:
            cp.add(gap >= link.min_gap).only_enforce_if(*both)
        if link.max_gap is not None:
            cp.add(gap <= link.max_gap).only_enforce_if(*both)
        if link.same_start:
            cp.add(gap == 0).only_enforce_if(*both)
        if link.both_or_neither:
            cp.add(both[0] == both[1])
        if link.other_therapist:
            for c in range(len(self.crews)):
                if (one, c) in self.with_crew and (other, c) in self.with_crew:
                    cp.add_at_most_one(self.with_crew[one, c], self.with_crew[other, c])

    def _resources(self) -> None:
        for each in self.index.problem.resources:
            users = [i for i, v in enumerate(self.visits) if each.id in v.resources]
            held = [self._interval(i, self.present[i], f"r{each.id},{i}", each.cleaning) for i in users]
            if held:
                self.cp.add_cumulative(held, [1] * len(held), each.capacity)

    def _routes(self) -> None:
        """One round per working therapist through a common depot; node 0 is the depot, visit i is i + 1."""
        cp, index, n = self.cp, self.index, len(self.visits)
        # A stop that is always made keeps the rounds valid on a day without any visit.
        always = cp.new_constant(1)
        lits: list[tuple[int, int, Any]] = [(0, n + 1, always), (n + 1, 0, always)]
        for i, visit in enumerate(self.visits):
            lits.append((i + 1, i + 1, ~self.present[i]))
            for c, crew in enumerate(self.crews):
                if (i, c) not in self.with_crew:
                    continue
                who = crew[0]
                out = self.sets_out[i, c] = cp.new_bool_var(f"o{i},{c}")
                back = self.comes_back[i, c] = cp.new_bool_var(f"b{i},{c}")
                cp.add_implication(out, self.with_crew[i, c])
                cp.add_implication(back, self.with_crew[i, c])
                begin = who.shifts[0].start
                work = sum(s.end - s.start for s in index.segments[who.id])
                way = index.way(who.start_place, visit.place)
                cp.add(self.clock[i] >= begin + way).only_enforce_if(out)
                way = visit.minutes + index.way(visit.place, who.end_place)
                cp.add(self.clock[i] + way <= begin + work).only_enforce_if(back)
                lits += [(0, i + 1, out), (i + 1, 0, back)]
        for c, crew in enumerate(self.crews):
            outs = [lit for (_, k), lit in self.sets_out.items() if k == c]
            cp.add(sum(outs) <= len(crew))
        for i, j in self._possible_arcs():
            arc = self.arcs[i, j] = cp.new_bool_var(f"{i}>{j}")
            lits.append((i + 1, j + 1, arc))
            way = self.visits[i].minutes + index.way(self.visits[i].place, self.visits[j].place)
            cp.add(self.clock[j] >= self.clock[i] + way).only_enforce_if(arc)
            for c in range(len(self.crews)):
                one, other = self.with_crew.get((i, c)), self.with_crew.get((j, c))
                if one is not None:
                    cp.add_bool_or(~arc, ~one, *(() if other is None else (other,)))
                if other is not None:
                    cp.add_bool_or(~arc, ~other, *(() if one is None else (one,)))
        cp.add_multiple_circuit(lits)

    def _possible_arcs(self) -> list[tuple[int, int]]:
        shared: dict[int, set[int]] = defaultdict(set)
        for i, c in self.with_crew:
            shared[i].add(c)
        bounds = [(min(s.proto.domain), max(s.proto.domain)) for s in self.start]
        return [
            (i, j)
            for i, one in enumerate(self.visits)
            for j, other in enumerate(self.visits)
            if i != j
            and shared[i] & shared[j]
            and bounds[i][0] + one.minutes + self.index.way(one.place, other.place) <= bounds[j][1]
        ]

    def _loads(self) -> None:
        cp = self.cp
        if all(who.capacity is None for who in self.index.problem.therapists):
            return
        most = max(who.capacity or 0 for who in self.index.problem.therapists)
        carried = [cp.new_int_var(v.load, max(most, v.load), f"l{i}") for i, v in enumerate(self.visits)]
        for c, crew in enumerate(self.crews):
            capacity = crew[0].capacity
            if capacity is None:
                continue
            mine = {i: x for (i, k), x in self.with_crew.items() if k == c}
            cp.add(sum(x * self.visits[i].load for i, x in mine.items()) <= capacity * len(crew))
            for i, x in mine.items():
                if len(crew) > 1:
                    cp.add(carried[i] <= capacity).only_enforce_if(x)
                elif self.visits[i].load > capacity:
                    cp.add(x == 0)
        if any(len(crew) > 1 for crew in self.crews):
            for (i, j), arc in self.arcs.items():
                whole = {c for k, c in self.with_crew if k == i and len(self.crews[c]) > 1}
                bounded = [self.with_crew[i, c] for c in whole if self.crews[c][0].capacity is not None]
                for x in bounded:
                    cp.add(carried[j] >= carried[i] + self.visits[j].load).only_enforce_if(arc, x)

    def _objectives(self) -> dict[str, Any]:
        cp, wanted, visits = self.cp, goals(self.index.problem), self.visits
        absent = [1 - p for p in self.present]
        terms: dict[str, Any] = {
            "unplaced_urgent": sum(a for a, v in zip(absent, visits, strict=True) if v.urgent),
            "unplaced": sum(absent),
        }
        if wanted & {"lateness_sum", "lateness_max"}:
            for i, v in enumerate(visits):
                last = max(self.start[i].proto.domain)
                if v.hard_end or v.fixed or last <= v.latest:
                    continue
                self.late[i] = cp.new_int_var(0, last - v.latest, f"late{i}")
                cp.add(self.late[i] >= self.start[i] - v.latest).only_enforce_if(self.present[i])
            terms["lateness_sum"] = sum(self.late.values())
        if "lateness_max" in wanted:
            most = max((max(each.proto.domain) for each in self.late.values()), default=0)
            terms["lateness_max"] = cp.new_int_var(0, most, "late")
            for each in self.late.values():
                cp.add(terms["lateness_max"] >= each)
        usual = {i: v.usual_therapist for i, v in enumerate(visits) if v.usual_therapist is not None}
        terms["discontinuity"] = sum(
            x for (i, c), x in self.with_crew.items() if i in usual and self.crews[c][0].id != usual[i]
        )
        if "imbalance" in wanted:
            total = sum(v.minutes for v in visits)
            least, most_work = (cp.new_int_var(0, total, n) for n in ("least", "most"))
            for c in range(len(self.crews)):
                work = sum(x * visits[i].minutes for (i, k), x in self.with_crew.items() if k == c)
                cp.add(work >= least)
                cp.add(work <= most_work)
            terms["imbalance"] = cp.new_int_var(0, total, "imbalance")
            cp.add(terms["imbalance"] == most_work - least)
            cp.add(sum(x * visits[i].minutes for (i, _), x in self.with_crew.items())
                   <= len(self.crews) * most_work)  # fmt: skip
        terms["travel"] = self._travel()
        if "therapists_used" in wanted:
            terms["therapists_used"] = self._used()
        return terms

    def _used(self) -> Any:
        if self.routed:
            return sum(self.sets_out.values())
        used = [self.cp.new_bool_var(f"used{c}") for c in range(len(self.crews))]
        for (_, c), x in self.with_crew.items():
            self.cp.add_implication(x, used[c])
        return sum(used)

    def _travel(self) -> Any:
        index, visits = self.index, self.visits
        between = sum(lit * index.way(visits[i].place, visits[j].place) for (i, j), lit in self.arcs.items())
        out = sum(
            lit * index.way(self.crews[c][0].start_place, visits[i].place)
            for (i, c), lit in self.sets_out.items()
        )
        back = sum(
            lit * index.way(visits[i].place, self.crews[c][0].end_place)
            for (i, c), lit in self.comes_back.items()
        )
        return between + out + back

    def hint(self, day: Day) -> None:
        """Start from this day. Members of a crew are exchangeable, so only the crew is told."""
        self.cp.clear_hints()  # type: ignore[no-untyped-call,unused-ignore]
        crew_of = {who.id: c for c, crew in enumerate(self.crews) for who in crew}
        at = [day.placed.get(v.id) for v in self.visits]
        crew_at = [None if each is None else crew_of[each.therapist] for each in at]
        start_at = [-1 if each is None else each.start for each in at]
        for i, v in enumerate(self.visits):
            self.cp.add_hint(self.present[i], crew_at[i] is not None)
            if crew_at[i] is not None:
                self.cp.add_hint(self.start[i], start_at[i])
                if i in self.late:
                    self.cp.add_hint(self.late[i], max(0, start_at[i] - v.latest))
        for (i, c), x in self.with_crew.items():
            self.cp.add_hint(x, crew_at[i] == c)
        for (i, c, g), q in self.in_segment.items():
            segment = self.index.segments[self.crews[c][0].id][g]
            self.cp.add_hint(q, crew_at[i] == c and segment.start <= start_at[i] < segment.end)
        if self.routed:
            self._hint_routes(day, crew_of)

    def _hint_routes(self, day: Day, crew_of: dict[str, int]) -> None:
        ways, outs, backs = set(), set(), set()
        for who in self.index.problem.therapists:
            route = [self.number[each] for each in day.route(who.id)]
            ways |= set(pairwise(route))
            outs |= {(i, crew_of[who.id]) for i in route[:1]}
            backs |= {(i, crew_of[who.id]) for i in route[-1:]}
        for lits, chosen in ((self.arcs, ways), (self.sets_out, outs), (self.comes_back, backs)):
            for key, lit in lits.items():
                self.cp.add_hint(lit, key in chosen)

    def day(self, value: Any) -> Day:
        """The day that a solution stands for; ``value`` reads a variable."""
        day = Day(self.index)
        chosen = {i: c for (i, c), x in self.with_crew.items() if value(x)}
        follows = {i: j for (i, j), lit in self.arcs.items() if value(lit)}
        for c, crew in enumerate(self.crews):
            mine = sorted((value(self.start[i]), i) for i, k in chosen.items() if k == c)
            if self.routed and len(crew) > 1:
                firsts = [i for (i, k), lit in self.sets_out.items() if k == c and value(lit)]
                for who, first in zip(crew, firsts, strict=False):
                    at: int | None = first
                    while at is not None:
                        day.place(self.visits[at], Placing(who.id, value(self.start[at])))
                        at = follows.get(at)
                continue
            free = {who.id: 0 for who in crew}
            for start, i in mine:
                name = next(each for each, until in free.items() if until <= start)
                free[name] = start + self.visits[i].minutes
                day.place(self.visits[i], Placing(name, start))
        return day


def _starts_within(visit: Visit, segment: Spell) -> Spell:
    """First and last start of the visit in a segment; the last lies before the first where there is none."""
    low, high = segment.start, segment.end - visit.minutes
    if visit.fixed:
        return Spell(max(low, visit.fixed.start), min(high, visit.fixed.start))
    return Spell(max(low, visit.earliest), min(high, visit.latest) if visit.hard_end else high)
