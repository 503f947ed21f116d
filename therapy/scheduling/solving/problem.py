"""One problem of a day schedule: what the published format holds, and its strict reader. No Django.

All times and distances are whole numbers in one free unit (minutes in the clinic).
"""

from dataclasses import dataclass
from typing import Any

from clinic.calculation import NotCalculable
from therapy.figure_inputs import Fault, Fields, Flag, ListOf, Number, Text, Value, Words, described, read

FORMAT = "day-problem/1"
URGENT = 1
OBJECTIVES = (
    "unplaced_urgent",
    "unplaced",
    "lateness_sum",
    "lateness_max",
    "discontinuity",
    "imbalance",
    "travel",
    "therapists_used",
)
LATEST = 10_000_000


@dataclass(frozen=True)
class Spell:
    """From ``start`` to before ``end``."""

    start: int
    end: int


@dataclass(frozen=True)
class Therapist:
    """Who treats: where the day starts and ends, when there is work, what the person may do, how much fits."""

    id: str
    start_place: str | None
    end_place: str | None
    shifts: tuple[Spell, ...]
    breaks: tuple[Spell, ...]
    skills: frozenset[str]
    capacity: int | None


@dataclass(frozen=True)
class Placing:
    """A visit's therapist and start."""

    therapist: str
    start: int


@dataclass(frozen=True)
class Visit:
    """One treatment. ``earliest`` and ``latest`` bound its start; a soft ``latest`` may be passed at a cost."""

    id: str
    place: str | None
    minutes: int
    earliest: int
    latest: int
    hard_end: bool
    skill: str | None
    patient: str | None
    priority: int
    fixed: Placing | None
    usual_therapist: str | None
    load: int
    resources: tuple[str, ...]

    @property
    def urgent(self) -> bool:
        return self.priority == URGENT


@dataclass(frozen=True)
class Link:
    """What binds two visits where both are placed; the gap runs from start of first to start of second."""

    first: str
    second: str
    min_gap: int | None
    max_gap: int | None
    same_start: bool
    other_therapist: bool
    both_or_neither: bool


@dataclass(frozen=True)
class Resource:
    """A shared machine: how many there are, and how long each is out for cleaning and drying after use."""

    id: str
    capacity: int
    cleaning: int


@dataclass(frozen=True)
class Problem:
    """A whole day. ``passes`` are minimised one after another, each a weighted sum of objectives."""

    places: tuple[str, ...]
    travel: tuple[tuple[int, ...], ...]
    therapists: tuple[Therapist, ...]
    visits: tuple[Visit, ...]
    links: tuple[Link, ...]
    resources: tuple[Resource, ...]
    passes: tuple[tuple[tuple[str, int], ...], ...]


@dataclass(frozen=True)
class _Objective:
    """An ordered list of objectives, or one weighted sum."""

    about: str = "Minimised in this order, or one weighted sum {name: weight}."
    nullable: bool = False
    required: bool = True

    def schema(self) -> dict[str, Value]:
        weight = {"type": "integer", "minimum": 0, "maximum": LATEST}
        return {
            "anyOf": [
                {"type": "array", "items": {"enum": list(OBJECTIVES)}, "minItems": 1, "uniqueItems": True},
                {
                    "type": "object",
                    "properties": dict.fromkeys(OBJECTIVES, weight),
                    "additionalProperties": False,
                    "minProperties": 1,
                },
            ]
        }

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        known = ", ".join(OBJECTIVES)
        names = list(value) if isinstance(value, list | dict) else []
        if not names or any(name not in OBJECTIVES for name in names) or len({*names}) != len(names):
            faults.append(
                Fault(at, "out_of_range", "Must be objectives, each once, or weights.", known, value)
            )
            return None
        if isinstance(value, list):
            return tuple(((name, 1),) for name in names)
        weight = Number(whole=True, high=LATEST)
        return (tuple((name, weight.read(w, f"{at}/{name}", faults)) for name, w in value.items()),)

    def from_cell(self, cell: str) -> Value:
        return ListOf(item=Words()).from_cell(cell)


def _id(about: str, *, nullable: bool = False) -> Words:
    return Words(about, nullable=nullable, longest=100)


def _whole(about: str, *, low: int = 0, nullable: bool = False) -> Number:
    return Number(about, nullable=nullable, whole=True, low=low, high=LATEST)


def _spells(about: str) -> ListOf:
    return ListOf(
        about,
        item=Fields(
            fields={"from": _whole("Start."), "to": _whole("End.")},
            build=lambda got: Spell(got["from"], got["to"]),
        ),
    )


_THERAPIST = Fields(
    fields={
        "id": _id("Name of the therapist in this problem."),
        "start_place": _id("Where the day starts; null: anywhere, no way to go.", nullable=True),
        "end_place": _id("Where the day ends; null: anywhere.", nullable=True),
        "shifts": _spells("When there is work, in order, apart from each other."),
        "breaks": _spells("When there is none within a shift. No treatment and no travel in it."),
        "skills": ListOf("What this therapist may do.", item=_id("A skill.")),
        "capacity": _whole("Most load of one day; null: no bound.", nullable=True),
    },
    build=lambda got: Therapist(
        **got
        | {
            "shifts": tuple(got["shifts"]),
            "breaks": tuple(sorted(got["breaks"], key=lambda b: b.start)),
            "skills": frozenset(got["skills"]),
        }
    ),
)
_VISIT = Fields(
    fields={
        "id": _id("Name of the visit in this problem."),
        "place": _id("Where; null: no way to go.", nullable=True),
        "minutes": _whole("How long, with set-up and cleaning.", low=1),
        "earliest": _whole("Earliest start."),
        "latest": _whole("Latest start."),
        "hard_end": Flag("False: may start later, which counts as lateness."),
        "skill": _id("What the therapist must be able to do; null: anyone.", nullable=True),
        "patient": _id("Whose visit; two of one patient never overlap unless linked.", nullable=True),
        "priority": Number("1 is urgent, 9 can best wait.", whole=True, low=1, high=9),
        "fixed": Fields(
            "Stays with this therapist at this start, whatever its window.",
            nullable=True,
            fields={"therapist": _id("Therapist."), "start": _whole("Start.")},
            build=lambda got: Placing(**got),
        ),
        "usual_therapist": _id("Who treats this patient as a rule.", nullable=True),
        "load": _whole("What it takes of the therapist's capacity."),
        "resources": ListOf("Shared machines in use from start to end.", item=_id("A resource.")),
    },
    build=lambda got: Visit(**got | {"resources": tuple(got["resources"])}),
)
_LINK = Fields(
    fields={
        "first": _id("A visit."),
        "second": _id("Another visit."),
        "min_gap": Number(
            "Least time from start of first to start of second.",
            nullable=True,
            whole=True,
            low=-LATEST,
            high=LATEST,
        ),
        "max_gap": Number(
            "Most time from start to start.", nullable=True, whole=True, low=-LATEST, high=LATEST
        ),
        "same_start": Flag("Both start together."),
        "other_therapist": Flag("Not the same therapist for both."),
        "both_or_neither": Flag("One without the other is not placed."),
    },
    build=lambda got: Link(**got),
)
_RESOURCE = Fields(
    fields={
        "id": _id("Name of the resource."),
        "capacity": _whole("How many there are.", low=1),
        "cleaning": _whole("Out of use after each visit."),
    },
    build=lambda got: Resource(**got),
)


def _built(got: dict[str, Any]) -> Problem:
    return Problem(
        places=tuple(got["places"]),
        travel=tuple(tuple(row) for row in got["travel"]),
        therapists=tuple(got["therapists"]),
        visits=tuple(got["visits"]),
        links=tuple(got["links"]),
        resources=tuple(got["resources"]),
        passes=got["objective"],
    )


class _Whole(Fields):
    """A problem that is also free of contradictions."""

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        problem: Problem | None = super().read(value, at, faults)
        if problem is not None:
            try:
                refuse_contradictions(problem)
            except NotCalculable as refusal:
                faults.append(Fault(at + refusal.field, refusal.code, refusal.message))
                return None
        return problem


PROBLEM = _Whole(
    "A day to schedule. Times and travel are whole numbers in one unit of your choice.",
    fields={
        "format": Text("The format and its version.", choices=(FORMAT,)),
        "places": ListOf("Names of the places.", item=_id("A place.")),
        "travel": ListOf(
            "Time from each place (row) to each (column).",
            item=ListOf("From one place.", item=_whole("Time.")),
        ),
        "therapists": ListOf("Who treats.", item=_THERAPIST, longest=500),
        "visits": ListOf("What is to be done.", item=_VISIT, longest=2_000),
        "links": ListOf("What binds two visits.", item=_LINK, longest=10_000),
        "resources": ListOf("Shared machines.", item=_RESOURCE, longest=500),
        "objective": _Objective(),
    },
    build=_built,
)


def read_problem(value: Value) -> Problem:
    """The problem of a JSON value.

    Raises:
        NotCalculable: the first fault, with a pointer to its place.
    """
    faults: list[Fault] = []
    problem: Problem = read(PROBLEM, value, "", faults)
    if faults:
        fault = faults[0]
        raise NotCalculable(fault.field, fault.code, fault.message, allowed=fault.allowed, got=fault.got)
    return problem


def schema() -> dict[str, Value]:
    """The published description, fixtures/day-problem-1.schema.json (draft 2020-12)."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"A day to schedule, {FORMAT}",
    } | described(PROBLEM)


def refuse_contradictions(problem: Problem) -> None:
    """Names used twice or unknown, a matrix of the wrong size, spells that end before they start.

    Raises:
        NotCalculable: the first one found.
    """
    for kind in ("therapists", "visits", "resources"):
        _each_once(kind, [each.id for each in getattr(problem, kind)])
    _each_once("places", list(problem.places))
    size = len(problem.places)
    if len(problem.travel) != size or any(len(row) != size for row in problem.travel):
        raise _contradiction("/travel", f"One row and one column per place are wanted: {size}.")
    therapists = {each.id for each in problem.therapists}
    for at, who in enumerate(problem.therapists):
        _check_therapist(f"/therapists/{at}", who, problem.places)
    resources = {each.id for each in problem.resources}
    for at, visit in enumerate(problem.visits):
        here = f"/visits/{at}"
        _known(f"{here}/place", visit.place, problem.places)
        _known(f"{here}/usual_therapist", visit.usual_therapist, therapists)
        _known(f"{here}/fixed/therapist", visit.fixed.therapist if visit.fixed else None, therapists)
        for name in visit.resources:
            _known(f"{here}/resources", name, resources)
        _each_once(f"visits/{at}/resources", list(visit.resources))
        if visit.latest < visit.earliest:
            raise _contradiction(f"{here}/latest", "The latest start lies before the earliest.")
    visits = {each.id for each in problem.visits}
    for at, link in enumerate(problem.links):
        _known(f"/links/{at}/first", link.first, visits)
        _known(f"/links/{at}/second", link.second, visits)
        if link.first == link.second:
            raise _contradiction(f"/links/{at}", "A visit cannot be linked to itself.")


def _check_therapist(at: str, who: Therapist, places: tuple[str, ...]) -> None:
    _known(f"{at}/start_place", who.start_place, places)
    _known(f"{at}/end_place", who.end_place, places)
    for name, spells in (("shifts", who.shifts), ("breaks", who.breaks)):
        ends = 0
        for spell in spells:
            if spell.start < ends or spell.end <= spell.start:
                raise _contradiction(
                    f"{at}/{name}", "Spells must be in order, apart, and end after they start."
                )
            ends = spell.end


def _known(at: str, name: str | None, known: Any) -> None:
    if name is not None and name not in known:
        raise _contradiction(at, f"{name!r} is not in this problem.")


def _each_once(kind: str, names: list[str]) -> None:
    if len(set(names)) != len(names):
        raise _contradiction(f"/{kind}", "A name is used twice.")


def _contradiction(at: str, message: str) -> NotCalculable:
    return NotCalculable(at, "inconsistent", message)
