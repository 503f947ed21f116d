"""The patients of the demo clinic: what each is like, before anything has happened to them."""

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from therapy.pages.demo import names
from therapy.pages.demo.accounts import DEMO_ACCOUNTS

DoseChange = Mapping[str, int | str | list[str]]


@dataclass(frozen=True)
class Prescription:
    """One order of a case: from `since` days ago until `until` days ago (None: still in force)."""

    technique: str
    times_a_day: int
    since: int
    until: int | None = None
    dose: DoseChange = field(default_factory=dict)
    source: str = "written"
    prescriber: str = "Dr Larkspur"
    medicines: tuple[tuple[str, str, int | None], ...] = ()
    independent_sets_a_day: int | None = None
    why: str = ""
    one_day: bool = False


@dataclass(frozen=True)
class Sputum:
    """What a patient brings up in a day, and how it is told."""

    daily_ml: float
    colour: int = 2
    falls_to: float = 0.5
    told: str = "measured"


@dataclass(frozen=True)
class Case:
    """One invented patient. `condition` names rows of the screening table answered yes."""

    key: str
    family: str
    given: str
    age: float
    sex: str
    unit: str
    room: str
    group: str
    diagnosis: str
    referred: int
    urgency: str = "soon"
    reason: str = ""
    therapist: str = ""
    prescriptions: tuple[Prescription, ...] = ()
    conditions: tuple[str, ...] = ()
    sputum: Sputum = Sputum(10)
    isolation: tuple[str, str] = ("", "")
    oxygen: tuple[str, int | None, int | None] = ("air", None, None)
    spo2: int = 95
    target: tuple[int, int, int | None] | None = (94, 98, 88)
    goal: tuple[str, bool] = ("", False)
    language: str = ""
    willing: float = 0.95
    helper: str = ""
    ended: int | None = None
    ending: str = "discharged"
    outcome: str = "accepted"
    outcome_reason: str = ""
    story: str = ""
    reassessed_hours_ago: float | None = None


def _acute(technique: str, since: int, times: int = 3, **more: object) -> Prescription:
    return Prescription(technique, times, since, **more)  # type: ignore[arg-type]  # keyword arguments of the dataclass


# The patients whom the pages and the training tasks rely on.
NAMED = (
    Case(
        "mosswater", "Mosswater", "Bryn", 68, "male", "acute", "12", "bronchiectasis",
        "Bronchiectasis, exacerbation", 9, reason="More sputum, cannot clear it alone", therapist="quillfeather",
        prescriptions=(
            _acute("oscillating_pep", 8, until=4, dose={"sets": 4}),
            _acute("oscillating_pep", 4, dose={"resistance_setting": 2, "sets": 4},
                   why="Exhales for less than 3 s at setting 1", independent_sets_a_day=2,
                   medicines=(("bronchodilator", "before", 15), ("hypertonic_saline", "before", 0))),
        ),
        sputum=Sputum(34, 3, 0.4), isolation=("contact", "gown, gloves"),
        oxygen=("nasal_cannula", 1000, None), spo2=90, target=(88, 92, 85), story="oxygen_up",
    ),
    Case(
        "pebblebrook", "Pebblebrook", "Ivo", 47, "male", "step_down", "3", "bronchiectasis",
        "Bronchiectasis after pneumonia", 6, "urgent", "Retained secretions", "quillfeather",
        (_acute("oscillating_pep", 5, 4),), sputum=Sputum(40, 3, 0.7), story="blood_today",
        oxygen=("nasal_cannula", 1000, None), spo2=93,
    ),
    Case(
        "thistledown", "Thistledown", "Oona", 71, "female", "acute", "14", "pneumonia",
        "Pneumonia with plugging, left lower lobe", 8, reason="Collapse of the left lower lobe on film",
        therapist="quillfeather",
        prescriptions=(_acute("drainage", 7, dose={"positions": ["right_side"], "minutes_per_position": 10}),),
        sputum=Sputum(16, 3), reassessed_hours_ago=75, spo2=93,
    ),
    Case(
        "fernhill-alder", "Fernhill", "Alder", 58, "male", "acute", "15", "copd",
        "COPD with symptomatic retention", 5, therapist="quillfeather", reason="Retained sputum, tires",
        prescriptions=(_acute("breathing_techniques", 4, independent_sets_a_day=2),),
        sputum=Sputum(14, 2), target=(88, 92, 85), spo2=90, oxygen=("venturi_mask", None, 28),
    ),
    Case(
        "fernhill-alda", "Fernhill", "Alda", 6.4, "female", "acute", "21", "cystic_fibrosis",
        "Cystic fibrosis, exacerbation", 5, therapist="quillfeather", reason="Admission for intravenous antibiotics",
        prescriptions=(
            _acute("pep", 4, 2, dose={"sets": 4},
                   medicines=(("hypertonic_saline", "before", 0), ("dornase", "after", None))),
        ),
        sputum=Sputum(6, 2, told="swallowed"), isolation=("contact", "gown, gloves, own equipment"),
        helper="mother", spo2=96,
    ),
    Case(
        "marigold", "Marigold", "Petra", 63, "female", "acute", "8", "bronchiectasis", "Bronchiectasis, new",
        1, therapist="quillfeather", reason="Teach a technique for home", language="Portuguese",
        prescriptions=(_acute("pep", 0, 2, prescriber="M. Saltmarsh"),), sputum=Sputum(18, 2),
    ),
    Case(
        "oakapple", "Oakapple", "Tam", 34, "male", "acute", "2", "other",
        "Cavitating infection, tuberculosis not excluded", 4, "soon", "Cannot clear sputum", "quillfeather",
        (_acute("breathing_techniques", 3, 2),), ("droplet_or_airborne_infection",), Sputum(20, 3),
        ("airborne", "fitted mask, gown, gloves; last in the round"),
    ),
    Case(
        "teaselwood", "Teaselwood", "Wim", 55, "male", "home", "", "bronchiectasis", "Bronchiectasis", 30,
        "routine", "Home programme after admission", "otterby", (Prescription("pep", 1, 28),), sputum=Sputum(15, 2),
        story="film_yesterday",
    ),
    Case(
        "rowanhurst", "Rowanhurst", "Eli", 66, "male", "acute", "6", "pneumonia", "Pneumonia, right lower lobe",
        8, therapist="lindqvale", prescriptions=(_acute("breathing_techniques", 7),), sputum=Sputum(12, 3),
        reassessed_hours_ago=98, reason="Weak cough after long bed rest", story="stopped",
    ),
    Case(
        "reedmace", "Reedmace", "Corin", 52, "male", "step_down", "1", "artificial_airway",
        "Tracheostomy after long ventilation", 17, "urgent", "Secretions, weak cough", "lindqvale",
        (_acute("mi_e", 16, 4, dose={"interface": "tracheostomy", "in_pressure_cmh2o": 25, "out_pressure_cmh2o": 30},
                why=""),),
        ("tracheostomy_or_tube",), Sputum(20, 3, 0.6, "suctioned"), oxygen=("tracheostomy_mask", None, 35), spo2=94,
        isolation=("droplet", "mask, eye protection at suction"),
    ),
    Case(
        "harebellow", "Harebellow", "Sorrel", 61, "female", "step_down", "4", "post_operative",
        "Upper abdominal operation, day 3", 3, "soon", "Shallow breathing, weak cough", "lindqvale",
        (_acute("breathing_techniques", 2, 4), _acute("incentive_spirometry", 2, 3)),
        ("abdominal_surgery_or_feeding_tube",), Sputum(5, 1), oxygen=("nasal_cannula", 2000, None), spo2=93,
        story="held_by_person",
    ),
    Case(
        "larchwood", "Larchwood", "Quill", 41, "female", "home", "", "neuromuscular", "Motor neurone disease", 64,
        "soon", "Peak cough flow 140 L/min", "otterby",
        (Prescription("mi_e", 1, 62, dose={"in_pressure_cmh2o": 25, "out_pressure_cmh2o": 35}),),
        sputum=Sputum(6, 1, told="swallowed"), helper="husband", spo2=96, reassessed_hours_ago=24 * 62,
        story="lifted",
    ),
    Case(
        "speedwellow", "Speedwellow", "Calla", 79, "female", "acute", "18", "copd", "COPD, end of life", 6,
        "soon", "Rattling secretions", "lindqvale", (_acute("directed_cough", 5, 2),), sputum=Sputum(8, 2),
        goal=("Comfort comes first; no treatment that tires. Agreed with the family.", True), story="comfort",
        target=None, spo2=88, oxygen=("nasal_cannula", 2000, None),
    ),
    Case(
        "kingcupley", "Kingcupley", "Jay", 24, "male", "acute", "22", "cystic_fibrosis",
        "Cystic fibrosis, exacerbation", 10, "soon", "More sputum, weight loss", "lindqvale",
        (_acute("oscillating_pep", 9, 3, medicines=(
            ("bronchodilator", "before", 15), ("hypertonic_saline", "before", 0), ("dornase", "after", None))),),
        sputum=Sputum(45, 4, 0.45), isolation=("contact", "gown, gloves, own equipment"), spo2=94,
        story="student", willing=0.9,
    ),
    Case(
        "wagtailby", "Wagtailby", "Verity", 70, "female", "acute", "9", "bronchiectasis",
        "Bronchiectasis, osteoporosis", 4, "soon", "Thick sputum", "heron",
        (_acute("oscillating_pep", 3, source="telephone", prescriber="Dr Larkspur"),),
        ("osteoporosis",), Sputum(22, 3), story="moved",
    ),
    Case(
        "dabchick", "Dabchick", "Orrin", 74, "male", "step_down", "2", "pneumonia",
        "Aspiration pneumonia after stroke", 5, "urgent", "Cannot cough well", "heron",
        (_acute("assisted_cough", 4, 4, dose={"hands": "ribs"}),),
        ("aspiration_risk", "intracranial_aneurysm_stroke_neurosurgery"),
        Sputum(14, 3, 0.7, "suctioned"), oxygen=("nasal_cannula", 3000, None), spo2=92, story="decision_today",
        reassessed_hours_ago=45,
    ),
    Case(
        "willowbank", "Willowbank", "Jo", 44, "female", "acute", "5", "bronchiectasis", "Bronchiectasis", 0,
        "soon", "More sputum, fever settled", outcome="waiting",
    ),
    Case(
        "brackenridge", "Brackenridge", "Noor", 38, "female", "step_down", "6", "other", "Head injury, day 4",
        0, "urgent", "Retained secretions, ICP 24 mmHg this morning. Ring 4471", outcome="waiting",
    ),
    Case(
        "heatherley", "Heatherley", "Sol", 36, "male", "outpatient", "", "neuromuscular", "Weak cough", 1, "routine",
        "Teach, peak cough flow 150 L/min", outcome="waiting",
    ),
    Case(
        "brambley", "Bramblingham", "Esk", 59, "male", "home", "", "copd", "COPD", 2, "routine",
        "Sputum most mornings", outcome="more_information", outcome_reason="Cough flow and last film wanted",
    ),
    Case(
        "lichenstone", "Lichenstone", "Una", 50, "female", "acute", "11", "pneumonia", "Pneumonia, uncomplicated",
        12, "routine", "Chest physiotherapy please", outcome="not_indicated",
        outcome_reason="Clears by cough; no retained sputum", ended=11,
    ),
    Case(
        "inkcap", "Inkcap", "Flint", 29, "male", "outpatient", "", "asthma", "Asthma", 20, "routine",
        "Breathing control", outcome="redirected", outcome_reason="Asthma clinic", ended=19,
    ),
)  # fmt: skip


@dataclass(frozen=True)
class _Pattern:
    """One kind of case from which chance makes several."""

    unit: str
    group: str
    diagnosis: str
    technique: str
    times: int
    sputum: Sputum
    spo2: int = 94
    reason: str = "Cannot clear sputum alone"
    conditions: tuple[str, ...] = ()
    independent: int | None = None
    dose: DoseChange = field(default_factory=dict)
    target: tuple[int, int, int | None] | None = (94, 98, 88)


_WARD = (
    _Pattern("acute", "bronchiectasis", "Bronchiectasis, exacerbation", "oscillating_pep", 3, Sputum(28, 3, 0.45)),
    _Pattern("acute", "pneumonia", "Pneumonia with retained sputum", "breathing_techniques", 3, Sputum(14, 3, 0.4)),
    _Pattern("acute", "copd", "COPD with symptomatic retention", "pep", 3, Sputum(15, 2, 0.6), 90,
             target=(88, 92, 85)),
    _Pattern("acute", "post_operative", "After abdominal operation", "breathing_techniques", 3, Sputum(5, 1, 0.5),
             conditions=("abdominal_surgery_or_feeding_tube",)),
    _Pattern("acute", "post_operative", "After hip operation", "incentive_spirometry", 3, Sputum(3, 1, 0.6)),
    _Pattern("acute", "spinal_injury", "Spinal cord injury, stabilised", "assisted_cough", 3, Sputum(12, 2, 0.7)),
    _Pattern("step_down", "pneumonia", "Severe pneumonia", "drainage", 4, Sputum(24, 3, 0.5), 92),
    _Pattern("step_down", "neuromuscular", "Muscular dystrophy, chest infection", "mi_e", 4,
             Sputum(14, 2, 0.6, "suctioned"), 93),
)  # fmt: skip
_HOME = (
    _Pattern(
        "home", "bronchiectasis", "Bronchiectasis", "oscillating_pep", 1, Sputum(16, 2, 0.8), independent=1
    ),
    _Pattern("home", "copd", "COPD", "breathing_techniques", 1, Sputum(9, 2, 0.9), 91, target=(88, 92, 85)),
    _Pattern("home", "cystic_fibrosis", "Cystic fibrosis", "pep", 1, Sputum(24, 3, 0.8), independent=1),
)
_CLINIC = (
    _Pattern("outpatient", "bronchiectasis", "Bronchiectasis", "oscillating_pep", 1, Sputum(14, 2, 0.7), 96,
             "Teach a technique", independent=2),
    _Pattern("outpatient", "cystic_fibrosis", "Cystic fibrosis", "pep", 1, Sputum(18, 2, 0.8), 97,
             "Yearly check of technique", independent=2),
)  # fmt: skip
_STAFF = {account.family_name for account in DEMO_ACCOUNTS}
_KEPT_IN_SMALL = {
    "mosswater", "pebblebrook", "fernhill-alder", "fernhill-alda", "teaselwood", "reedmace", "willowbank",
    "lichenstone",
}  # fmt: skip
_OWNERS = {
    "step_down": ("lindqvale", "quillfeather", "heron"),
    "acute": ("lindqvale", "heron", "thornapple", "quillfeather", "heron", "wrenfield"),
    "home": ("otterby",),
    "outpatient": ("thornapple", "otterby"),
}


def cast(chance: random.Random, *, small: bool) -> list[Case]:
    """The named cases and as many made by chance as a small clinic has; `small` keeps a handful."""
    if small:
        return [_shortened(case) for case in NAMED if case.key in _KEPT_IN_SMALL]
    left = iter(names.family_names(chance, besides={case.family for case in NAMED} | _STAFF))
    made = [_case(chance, left, _WARD[n % len(_WARD)], n, chance.randint(2, 12)) for n in range(13)]
    made += [_case(chance, left, _HOME[n % len(_HOME)], n, chance.randint(25, 68)) for n in range(6)]
    made += [_case(chance, left, _CLINIC[n % len(_CLINIC)], n, chance.randint(20, 60)) for n in range(5)]
    gone = [_case(chance, left, _WARD[n % len(_WARD)], n, chance.randint(16, 69)) for n in range(14)]
    made += [_gone(chance, case, died=n == 5) for n, case in enumerate(gone)]
    return [*NAMED, *made]


def _case(
    chance: random.Random, names_left: Iterator[str], pattern: _Pattern, number: int, since: int
) -> Case:
    family, given = next(names_left), chance.choice(names.of_kind("given"))
    owners = _OWNERS[pattern.unit]
    room = {"acute": str(24 + number), "step_down": str(7 + number)}.get(pattern.unit, "")
    sputum = replace(pattern.sputum, daily_ml=pattern.sputum.daily_ml * chance.uniform(0.7, 1.4))
    order = Prescription(
        pattern.technique,
        pattern.times,
        since,
        dose=pattern.dose,
        independent_sets_a_day=pattern.independent,
        prescriber=chance.choice(["Dr Larkspur", "Dr Burnet", "M. Saltmarsh"]),
        source=chance.choice(["written", "written", "protocol"]),
        one_day=pattern.unit == "outpatient",
    )
    # An outpatient comes by appointment: one order a visit, every other week; some come today.
    days = range(since if number % 3 else since // 14 * 14, -1, -14) if order.one_day else (since,)
    return Case(
        key=f"{family}-{number}".lower(),
        family=family,
        given=given,
        age=chance.randint(19, 88) + 0.5,
        sex=chance.choice(["female", "male"]),
        unit=pattern.unit,
        room=room,
        group=pattern.group,
        diagnosis=pattern.diagnosis,
        referred=days[0] + chance.choice([0, 1, 1, 2]),
        urgency=chance.choice(["urgent", "soon", "soon", "routine"]),
        reason=pattern.reason,
        therapist=owners[number % len(owners)],
        prescriptions=tuple(replace(order, since=day) for day in days),
        conditions=pattern.conditions,
        sputum=sputum,
        spo2=pattern.spo2 + chance.randint(-1, 2),
        target=pattern.target,
        willing=chance.choice([0.97, 0.95, 0.9, 0.8]),
        oxygen=("nasal_cannula", 1000, None)
        if pattern.unit == "step_down" or chance.random() < 0.2
        else ("air", None, None),
        helper=chance.choice(["", "wife", "son"]) if pattern.unit == "home" else "",
    )


def _gone(chance: random.Random, case: Case, *, died: bool) -> Case:
    until = max(1, case.prescriptions[0].since - chance.randint(4, 15))
    ordered = tuple(replace(order, until=until) for order in case.prescriptions)
    return replace(case, prescriptions=ordered, ended=until, ending="died" if died else "discharged", room="")


def _shortened(case: Case) -> Case:
    """The same case with a history of at most six days, for tests and upgrade dumps."""
    orders = tuple(
        replace(
            order,
            since=min(order.since, 6),
            until=None if order.until is None else min(order.until, 5),
            times_a_day=min(order.times_a_day, 2),
        )
        for order in case.prescriptions
    )
    return replace(case, prescriptions=orders, referred=min(case.referred, 7), reassessed_hours_ago=None)
