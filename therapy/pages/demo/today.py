"""Today in the demo: who visits whom, what is on hold, what was handed over, what was looked at again."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from clinic.assignments.services import HANDOVER
from clinic.models import AccessGrant, CareSettingRule, Measurement, Notice, Patient
from therapy.models import DueWindow, Reassessment, ScheduledVisit, VisitStaff
from therapy.pages.demo.cases import Case
from therapy.pages.demo.scene import Scene
from therapy.pages.demo.teller import Told

_NOTES = (
    ("mosswater", "heron", "Tires after the second set; sits better with the table raised."),
    ("fernhill-alda", "heron", "Her mother helps with the mask; begin with the bubble game."),
    ("rowanhurst", "quillfeather", "Coughs better after sitting on the edge of the bed."),
    ("teaselwood", "saltmarsh", "Film yesterday: no pneumothorax. Screen again before the next treatment."),
)  # fmt: skip
_COVER = ("lindqvale", "quillfeather", "thornapple")
_ABSENT_COVERED = {"step_down"}


def tell(scene: Scene, cases: list[Case], patients: dict[str, Patient], told: Told) -> None:
    """Keep the rest of today: visits ahead, holds, hand-over notes, and every reassessment until now."""
    # Each therapist's own patients first, airborne isolation last in the round; then the others share what is left.
    ahead = sorted(told.open_today, key=_in_round_order)
    left = [(case, window) for case, window in ahead if not _visit(scene, case, window, [case.therapist])]
    for case, window in left:
        if case.unit != "home" and (case.therapist != "heron" or case.unit in _ABSENT_COVERED):
            _visit(scene, case, window, _COVER)
    for case in cases:
        if case.key in told.orders:
            _reassessments(scene, case, told)
    _oxygen_turned_up(scene, cases, patients)
    for key, author, words in _NOTES:
        for case in (one for one in cases if one.key == key):
            at, people = scene.clock.at(1, "16:20"), scene.service.people
            scene.book.add(
                Notice(
                    id=scene.book.new_id(at), kind=HANDOVER, to=people[case.therapist], by=people[author],
                    patient=patients[key], words=words, at=at,
                )
            )  # fmt: skip


def _oxygen_turned_up(scene: Scene, cases: list[Case], patients: dict[str, Patient]) -> None:
    """What a therapist must know before the next treatment: the ward gives more oxygen."""
    at, by = scene.clock.told_until - timedelta(minutes=3), scene.service.people["lindqvale"]
    for case in cases:
        if case.story == "oxygen_up":
            scene.book.add(
                Measurement(
                    id=scene.book.new_id(at), patient=patients[case.key], kind="spo2_percent", value=89, measured_at=at,
                    oxygen_device="nasal_cannula", oxygen_flow_ml_per_min=2000, by=by, created_at=at,
                )
            )  # fmt: skip


def _in_round_order(each: tuple[Case, DueWindow]) -> tuple[bool, bool, datetime, str]:
    case, window = each
    return case.isolation[0] == "airborne", case.key != "mosswater", window.latest, str(window.id)


def _visit(scene: Scene, case: Case, window: DueWindow, names: Sequence[str]) -> bool:
    """Schedule a window with the first of these who is free; False where nobody is."""
    if case.prescriptions[0].technique == "mi_e":
        names = [name for name in names if name != "thornapple"]
    begin = max(window.earliest, scene.clock.told_until + timedelta(minutes=10))
    slot = scene.diary.find(names, window.patient_id, window, after=begin, minutes=window.minutes)
    if slot is None:
        return False
    name, start = slot
    times = {"start": start, "end": start + timedelta(minutes=window.minutes)}
    scene.diary.take([name, window.patient_id], window.service_date, times["start"], times["end"])
    made = scene.clock.at(0, "07:45")
    visit = scene.book.add(
        ScheduledVisit(
            id=scene.book.new_id(made), patient=window.patient, window=window, service_date=window.service_date,
            by=scene.service.lead, created_at=made, **times,
        )
    )  # fmt: skip
    scene.book.add(VisitStaff(visit=visit, person=scene.service.people[name], **times))
    if name != case.therapist:
        _grant(scene, name, window)
    return True


def _grant(scene: Scene, name: str, window: DueWindow) -> None:
    held = {
        (row.person_id, row.patient_id)
        for row in scene.book.of(AccessGrant)
        if row.until_at is None or row.until_at > scene.clock.now
    }
    person = scene.service.people[name]
    if (person.pk, window.patient_id) not in held:
        scene.book.add(
            AccessGrant(
                id=scene.book.new_id(scene.clock.now), person=person, patient=window.patient, why="scheduled",
                from_at=scene.clock.at(0, "07:45"), until_at=scene.clock.at(-1, "08:00"), by=scene.service.lead,
                created_at=scene.clock.at(0, "07:45"),
            )
        )  # fmt: skip


def _reassessments(scene: Scene, case: Case, told: Told) -> None:
    orders = told.orders[case.key]
    setting = scene.service.units[case.unit].care_setting
    end = scene.clock.now if case.ended is None else scene.clock.at(case.ended, "11:30")
    # Where the case says how long ago, that was the last one; chance makes no later one.
    last = (
        None
        if case.reassessed_hours_ago is None
        else scene.clock.now - timedelta(hours=case.reassessed_hours_ago)
    )
    spell = _spell(setting)
    at = orders[0].started_at
    while True:
        due = at + spell
        early = timedelta(minutes=scene.book.chance.choice([20, 60, 150, 240, 400]))
        late = (
            timedelta(minutes=scene.book.chance.choice([30, 90, 300]))
            if scene.book.chance.random() < 0.12
            else None
        )
        at = due + late if late else due - early
        if at >= min(end, last or end):
            break
        _looked_at(scene, case, told, at, due)
    if last is not None and last > orders[0].started_at:
        _looked_at(scene, case, told, last, max(last, orders[0].started_at + spell))


def _spell(setting: str) -> timedelta:
    rule = CareSettingRule.objects.get(care_setting=setting)
    hours = {"hours": 1, "days": 24, "weeks": 24 * 7, "months": 24 * 30}[rule.reassess_every_spell]
    return timedelta(hours=hours * rule.reassess_every)


def _looked_at(scene: Scene, case: Case, told: Told, at: datetime, due: datetime) -> None:
    order = next(
        (row for row in reversed(told.orders[case.key]) if row.started_at <= at), told.orders[case.key][0]
    )
    outcome, words, helps = scene.book.chance.choices(
        [
            ("continue", "Breath sounds clearer; sputum less; still needs help to clear", "yes"),
            ("step_down", "Clears by huff alone after two sets", "yes"),
            ("change", "Tires; shorter sets from today", "unknown"),
            ("continue", "No change; film unchanged", "unknown"),
        ],
        [6, 1, 1, 2],
    )[0]
    scene.book.add(
        Reassessment(
            id=scene.book.new_id(at), patient=order.patient, order=order, at=at, due_at=due,
            outcome=outcome, findings=words, still_helps=helps, by=scene.service.people[case.therapist], created_at=at,
        )
    )  # fmt: skip
