"""A change of care setting: no treatment begins before the whole was screened again; nothing else changes."""

import datetime as dt

import pytest
import time_machine

from clinic.attention.models import Flag
from clinic.models import CareSettingChange, ClinicNumber, Unit
from clinic.patients import services as patients
from screening import moves, selectors, services, table
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def intensive(world):
    return Unit.objects.create(name="Intensive care", care_setting="intensive")


def screen(world, by, at=NOW, **changed):
    given = {"answers": ALL_NO, "at": at} | changed
    return services.record_screening(by=by, patient=world.mosswater, **given)


def move(world, by, unit):
    world.mosswater.refresh_from_db()
    return patients.amend_patient(
        world.mosswater, by=by, changes={"unit": unit}, expect_version=world.mosswater.version
    )


def pep(world, at, purpose="begin"):
    return selectors.guard(world.mosswater, "pep", at, purpose=purpose)


@pytest.mark.parametrize("purpose", ["begin", "record"])
def test_after_a_move_to_another_care_setting_no_treatment_begins_before_screening_again(
    world, cast, clock, intensive, purpose
):
    screen(world, cast.therapist)
    clock.move_to(NOW + HOUR)
    move(world, cast.therapist, intensive)
    held = pep(world, NOW + HOUR, purpose)
    assert (held.allowed, held.bar, str(held.result)) == (False, "care_setting_changed", "incomplete")
    assert held.held_because[0] == "The care setting changed 25-Nov-2026 10:41: screen again"
    assert held.since == NOW + HOUR
    clock.move_to(NOW + 2 * HOUR)
    screen(world, cast.therapist, at=NOW + 2 * HOUR)
    assert pep(world, NOW + 2 * HOUR, purpose).allowed


@pytest.mark.parametrize("purpose", ["activate", "schedule", "display"])
def test_ahead_of_time_it_is_said_and_holds_nothing(world, cast, clock, intensive, purpose):
    screen(world, cast.therapist)
    clock.move_to(NOW + HOUR)
    move(world, cast.therapist, intensive)
    found = pep(world, NOW + 2 * HOUR, purpose)
    assert found.allowed
    assert "screen again" in found.screen_again


def test_a_treatment_before_the_move_is_judged_by_what_held_then(world, cast, clock, intensive):
    screen(world, cast.therapist)
    clock.move_to(NOW + 2 * HOUR)
    move(world, cast.therapist, intensive)
    assert pep(world, NOW + HOUR, "record").allowed
    assert not pep(world, NOW + 2 * HOUR, "record").allowed


def test_between_two_moves_a_treatment_wanted_the_screening_after_the_first(world, cast, clock, intensive):
    screen(world, cast.therapist)
    for hours, unit in ((1, intensive), (3, world.acute)):
        clock.move_to(NOW + hours * HOUR)
        move(world, cast.therapist, unit)
    assert not pep(world, NOW + 2 * HOUR, "record").allowed


@pytest.mark.parametrize("part", ["bedside check", "finding"])
def test_a_part_of_the_questions_is_not_screening_again(world, cast, clock, intensive, part):
    screen(world, cast.therapist)
    clock.move_to(NOW + HOUR)
    move(world, cast.therapist, intensive)
    answers = {"epistaxis": "no"} if part == "bedside check" else {"rib_fracture": "yes"}
    screen(world, cast.therapist, at=NOW + HOUR, answers=answers, keep="all", whole=False)
    assert pep(world, NOW + HOUR).bar == "care_setting_changed"
    assert Flag.objects.filter(kind="screen_again", state="open").exists()


def test_what_is_contraindicated_stays_so_and_says_both(world, cast, clock, intensive):
    screen(world, cast.therapist, answers=ALL_NO | {"consciousness_reduced": "yes"})
    clock.move_to(NOW + HOUR)
    move(world, cast.therapist, intensive)
    held = pep(world, NOW + HOUR)
    assert held.bar == "do_not_start"
    assert "screen again" in held.held_because[-1]


def test_the_assigned_therapist_is_asked_by_a_flag_until_it_was_done(world, cast, clock, intensive):
    screen(world, cast.therapist)
    ClinicNumber.objects.create(name="screen_again_minutes", value=60)
    clock.move_to(NOW + HOUR)
    move(world, cast.lead, intensive)
    flag = Flag.objects.get(kind="screen_again")
    assert (flag.owner, flag.due_at) == (cast.therapist, NOW + 2 * HOUR)
    assert "from acute ward to intensive care" in flag.words
    clock.move_to(NOW + 2 * HOUR)
    screen(world, cast.therapist, at=NOW + 2 * HOUR)
    flag.refresh_from_db()
    assert (flag.state, flag.outcome) == ("closed", "done")


def test_a_second_move_takes_the_place_of_the_first(world, cast, clock, intensive):
    screen(world, cast.therapist)
    for hours, unit in ((1, intensive), (2, world.acute)):
        clock.move_to(NOW + hours * HOUR)
        move(world, cast.lead, unit)
    assert [flag.outcome for flag in Flag.objects.order_by("opened_at")] == ["superseded", ""]


def test_a_move_to_a_unit_of_the_same_care_setting_changes_nothing(world, cast):
    screen(world, cast.therapist)
    move(world, cast.therapist, Unit.objects.create(name="Acute ward 2", care_setting="acute"))
    assert pep(world, NOW).allowed
    assert not CareSettingChange.objects.exists()


def test_a_patient_who_was_never_screened_is_asked_for_everything_and_gets_no_flag(world, cast, intensive):
    move(world, cast.therapist, intensive)
    assert pep(world, NOW).bar == "screening_missing"
    assert not Flag.objects.exists()


def test_the_job_opens_what_is_missing_once(world, cast, clock, intensive):
    screen(world, cast.therapist)
    clock.move_to(NOW + HOUR)
    CareSettingChange.objects.create(
        patient=world.mosswater, was="acute", now="intensive", at=NOW + HOUR, by=cast.lead
    )
    assert [moves.open_missing(), moves.open_missing()] == [1, 0]
    screen(world, cast.therapist, at=NOW + HOUR)
    assert moves.open_missing() == 0
    assert Flag.objects.get().outcome == "done"
