"""The day schedule: a greedy start, then one pass after another, each proven as far as the time goes. No Django."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from time import monotonic
from typing import Any

from clinic.calculation import NotCalculable
from therapy.scheduling.solving.day import Day, Index, Schedule
from therapy.scheduling.solving.greedy import greedy
from therapy.scheduling.solving.measuring import measure, weighed
from therapy.scheduling.solving.problem import Problem
from therapy.scheduling.solving.remedies import LeftOut, left_out

_LOOK_EVERY_S = 0.1


@dataclass(frozen=True)
class Limits:
    """How long and with what the solver may work."""

    seconds: float = 30.0
    workers: int = 2
    seed: int = 0


@dataclass(frozen=True)
class Progress:
    """What is known while it works."""

    objective: str
    placed: int
    value: int
    bound: int


@dataclass(frozen=True)
class Pass:
    """One objective after its turn; proven where no better value exists under the passes before it."""

    objective: str
    value: int
    bound: int
    proven: bool


@dataclass(frozen=True)
class Placed:
    visit: str
    therapist: str
    start: int
    end: int


@dataclass(frozen=True)
class DaySchedule:
    """Who treats whom when, how good that is, and why some are left out."""

    visits: tuple[Placed, ...]
    passes: tuple[Pass, ...]
    unplaced: tuple[LeftOut, ...]
    stopped: bool
    seed: int
    solver: str


def schedule_day(
    problem: Problem,
    *,
    limits: Limits | None = None,
    hint: Schedule | None = None,
    on_progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> DaySchedule:
    """Schedule a day.

    Args:
        problem: the day, as ``problem.read_problem`` gives it.
        limits: seconds for all passes together, workers and seed.
        hint: where to begin, for example the schedule that held before somebody went home.
        on_progress: told of every better schedule.
        should_stop: asked several times a second; the best schedule so far is returned.

    Raises:
        NotCalculable: the fixed visits contradict each other or the shifts.
    """
    run = _Run(problem, limits or Limits(), hint, on_progress, should_stop)
    passes = run.all_passes()
    placed = tuple(
        Placed(v.id, at.therapist, at.start, at.start + v.minutes)
        for v in problem.visits
        if (at := run.day.placed.get(v.id))
    )
    return DaySchedule(
        placed, passes, tuple(left_out(run.day)), run.stopped, run.limits.seed, run.solver_version
    )


class _Run:
    def __init__(
        self,
        problem: Problem,
        limits: Limits,
        hint: Schedule | None,
        on_progress: Callable[[Progress], None] | None,
        should_stop: Callable[[], bool] | None,
    ) -> None:
        self.until = monotonic() + limits.seconds
        self.problem, self.limits = problem, limits
        self.on_progress = on_progress
        self.should_stop = should_stop or (lambda: False)
        self.stopped = False
        self.index = Index(problem)
        self.day = greedy(self.index, hint)
        self.whole = self._keeps_what_is_bound(self.day)
        self.solver_version = "greedy"
        self.model: Any = None
        # What earlier passes reached, before there was a model to hold it.
        self.held: list[tuple[tuple[tuple[str, int], ...], int]] = []

    def _keeps_what_is_bound(self, day: Day) -> bool:
        """Whether a greedy day is a schedule at all: nothing fixed and no partner is missing."""
        return all(v.id in day.placed for v in self.problem.visits if v.fixed) and all(
            (link.first in day.placed) == (link.second in day.placed)
            for link in self.problem.links
            if link.both_or_neither
        )

    def all_passes(self) -> tuple[Pass, ...]:
        found = []
        for number, parts in enumerate(self.problem.passes):
            self.stopped = self.stopped or self.should_stop()
            found.append(self._one_pass(parts, len(self.problem.passes) - number))
        return tuple(found)

    def _one_pass(self, parts: tuple[tuple[str, int], ...], left: int) -> Pass:
        name = "+".join(each for each, _ in parts)
        value = weighed(measure(self.day), parts)
        bound, proven = 0, value == 0
        if self.whole:
            self._tell(name, value, bound)
        if not self.whole or (not proven and not self.stopped):
            seconds = max(0.05, (self.until - monotonic()) / (1 if left == 1 else 2))
            bound, proven = self._solve(name, parts, seconds)
            value = weighed(measure(self.day), parts)
        if self.model is not None:
            self._hold(parts, value)
        else:
            self.held.append((parts, value))
        return Pass(name, value, min(bound, value), proven or bound >= value)

    def _tell(self, name: str, value: int, bound: int) -> None:
        if self.on_progress:
            self.on_progress(Progress(name, len(self.day.placed), value, bound))

    def _hold(self, parts: tuple[tuple[str, int], ...], value: int) -> None:
        self.model.cp.add(sum(weight * self.model.terms[each] for each, weight in parts) <= value)

    def _solve(self, name: str, parts: tuple[tuple[str, int], ...], seconds: float) -> tuple[int, bool]:
        # Late on purpose: the library takes over a second to import, which no page should wait for.
        from ortools.sat.python import cp_model

        from therapy.scheduling.solving.model import Model

        self.solver_version = f"ortools {version('ortools')}"
        if self.model is None:
            self.model = Model(self.index)
            for held, value in self.held:
                self._hold(held, value)
        self.model.cp.minimize(sum(weight * self.model.terms[each] for each, weight in parts))
        if self.whole:
            self.model.hint(self.day)
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = max(0.05, min(seconds, self.until - monotonic()))
        solver.parameters.num_workers = self.limits.workers
        solver.parameters.random_seed = self.limits.seed
        watch = _Watch(solver, self, name)
        status = watch.solve(self.model.cp)
        if status == cp_model.INFEASIBLE and not self.whole:
            raise NotCalculable(
                "/problem/visits",
                "inconsistent",
                "The fixed visits contradict each other, a link or the shifts.",
            )
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            better = self.model.day(solver.value)
            if not self.whole or weighed(measure(better), parts) <= weighed(measure(self.day), parts):
                self.day, self.whole = better, True
        elif not self.whole:
            raise NotCalculable("/limits/seconds", "out_of_range", "No schedule was found in this time.")
        bound = max(0, -int(-solver.best_objective_bound // 1)) if status != cp_model.UNKNOWN else 0
        return bound, status == cp_model.OPTIMAL


class _Watch:
    """Runs a solver, tells what it finds, and ends it when it should stop."""

    def __init__(self, solver: Any, run: _Run, name: str) -> None:
        self.solver, self.run, self.name = solver, run, name

    def solve(self, model: Any) -> Any:
        from ortools.sat.python import cp_model

        run, name = self.run, self.name
        present = run.model.present

        class Told(cp_model.CpSolverSolutionCallback):
            def on_solution_callback(self) -> None:
                if run.on_progress:
                    placed = sum(self.value(each) for each in present)
                    bound = max(0, int(self.best_objective_bound))
                    run.on_progress(Progress(name, placed, int(self.objective_value), bound))

        done = threading.Event()

        def look() -> None:
            while not done.wait(_LOOK_EVERY_S):
                if run.should_stop():
                    run.stopped = True
                    self.solver.stop_search()

        watcher = threading.Thread(target=look, daemon=True)
        watcher.start()
        try:
            return self.solver.solve(model, Told())
        finally:
            done.set()
            watcher.join()
