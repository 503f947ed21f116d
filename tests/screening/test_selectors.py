"""The guard: begin is barred where the screening does not carry it; ahead of time age alone holds nothing."""

import datetime as dt

import pytest

from screening import holds, rules, selectors, table
from screening.models import Answer, Decision, Screening
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)


def screened(patient, by, *, at=NOW, **answers):
    """A screening with every row answered no but those named."""
    row = Screening.objects.create(patient=patient, by=by, started_at=at, table_version="1")
    given = dict.fromkeys(table.current().conditions, "no") | answers
    Answer.objects.bulk_create(
        Answer(
            screening=row,
            condition=key,
            kind=value if isinstance(value, str) else "value",
            value=None if isinstance(value, str) else round(value * 1000),
            answered_at=at,
            answered_by=by,
        )
        for key, value in given.items()
    )
    return row


def decided(screening, technique, by, *, proceed=True, hours=8, at=NOW):
    found = selectors.guard(screening.patient, technique, at, purpose="display")
    return Decision.objects.create(
        screening=screening,
        patient=screening.patient,
        technique=technique,
        proceed=proceed,
        reason_code="benefit_outweighs",
        reason="Reason in words.",
        started_at=at,
        expires_at=at + hours * HOUR,
        decided_by=by,
        answers_fingerprint=found.fingerprint,
    )


@pytest.mark.parametrize("purpose", list(holds.Purpose))
def test_without_a_screening_nothing_may_start(world, purpose):
    found = selectors.guard(world.mosswater, "pep", NOW, purpose=purpose)
    assert not found.allowed
    assert found.bar == holds.Bar.SCREENING_MISSING
    assert not found.clinical


@pytest.mark.parametrize("purpose", list(holds.Purpose))
def test_with_every_row_answered_no_just_now_everything_may_start(world, cast, purpose):
    screened(world.mosswater, cast.therapist)
    for technique in table.current().techniques:
        assert selectors.guard(world.mosswater, technique, NOW, purpose=purpose).allowed


@pytest.mark.parametrize("purpose", list(holds.Purpose))
def test_a_barred_technique_may_not_start_whatever_the_decision(world, cast, purpose):
    row = screened(world.mosswater, cast.therapist, icp_above_20="yes")
    decided(row, "mi_e", cast.lead)
    found = selectors.guard(world.mosswater, "mi_e", NOW, purpose=purpose)
    assert found.bar == holds.Bar.DO_NOT_START
    assert found.clinical
    assert found.since == NOW


def test_clinician_must_decide_waits_for_an_unexpired_decision(world, cast):
    row = screened(world.mosswater, cast.therapist, rib_fracture="yes")
    before = selectors.guard(world.mosswater, "drainage", NOW, purpose="begin")
    assert before.bar == holds.Bar.DECISION_WANTED
    assert before.held_because == ("Rib fracture: a clinician must decide",)
    decided(row, "drainage", cast.lead)
    assert selectors.guard(world.mosswater, "drainage", NOW, purpose="begin").allowed
    later = selectors.guard(world.mosswater, "drainage", NOW + 8 * HOUR, purpose="schedule")
    assert later.bar == holds.Bar.DECISION_WANTED
    assert "ended 25-Nov-2026" in later.held_because[0]


def test_a_decision_against_it_holds(world, cast):
    row = screened(world.mosswater, cast.therapist, rib_fracture="yes")
    decided(row, "drainage", cast.lead, proceed=False)
    found = selectors.guard(world.mosswater, "drainage", NOW, purpose="begin")
    assert found.bar == holds.Bar.DECIDED_AGAINST


def test_a_decision_dies_when_one_of_the_answers_it_weighed_changes(world, cast):
    old = screened(world.mosswater, cast.therapist, rib_fracture="yes")
    decided(old, "drainage", cast.lead)
    from clinic import records

    records.end(old, by=cast.therapist, at=NOW + HOUR, reason="again")
    screened(world.mosswater, cast.therapist, at=NOW + HOUR, rib_fracture="yes", lung_contusion="yes")
    same = selectors.guard(world.mosswater, "drainage", NOW + HOUR, purpose="begin")
    assert same.allowed, "lung contusion does not bear on drainage: the decision weighed the same answers"
    other = selectors.guard(world.mosswater, "percussion_vibration", NOW + HOUR, purpose="begin")
    assert other.bar == holds.Bar.DECISION_WANTED


def test_age_alone_holds_nothing_ahead_of_time_but_the_bedside_asks_again(world, cast):
    screened(world.mosswater, cast.therapist)
    tomorrow = NOW + 26 * HOUR
    ahead = selectors.guard(world.mosswater, "pep", tomorrow, purpose="schedule")
    assert ahead.allowed
    assert "epistaxis" in ahead.ask_again
    assert "bullous_emphysema" not in ahead.ask_again, "a standing answer holds until it is changed"
    now = selectors.guard(world.mosswater, "pep", tomorrow, purpose="begin")
    assert now.bar == holds.Bar.OUT_OF_DATE
    assert "Epistaxis: the answer is 26 h old, ask again" in now.held_because
    assert not now.clinical


def test_a_bar_that_is_out_of_date_still_bars_at_the_bedside(world, cast):
    screened(world.mosswater, cast.therapist, icp_above_20="yes")
    found = selectors.guard(world.mosswater, "mi_e", NOW + 26 * HOUR, purpose="begin")
    assert found.bar == holds.Bar.DO_NOT_START


def test_the_guard_looks_at_the_screening_that_was_in_force_then(world, cast):
    from clinic import records

    old = screened(world.mosswater, cast.therapist)
    records.end(old, by=cast.therapist, at=NOW + HOUR, reason="again")
    screened(world.mosswater, cast.therapist, at=NOW + HOUR, icp_above_20="yes")
    assert selectors.guard(world.mosswater, "mi_e", NOW, purpose="record").allowed
    assert not selectors.guard(world.mosswater, "mi_e", NOW + HOUR, purpose="record").allowed


def test_many_guards_cost_no_more_queries_than_one(world, cast, django_assert_num_queries):
    for patient in (world.mosswater, world.pebblebrook, world.thistledown):
        screened(patient, cast.therapist, rib_fracture="yes")
    pairs = [
        (patient.pk, technique)
        for patient in (world.mosswater, world.pebblebrook, world.thistledown)
        for technique in table.current().techniques
    ]
    with django_assert_num_queries(7):
        selectors.guards(pairs[:1], NOW, purpose="display")
    with django_assert_num_queries(7):
        found = selectors.guards(pairs, NOW, purpose="display")
    assert found[world.mosswater.pk, "mi_e"].result == rules.Result.CLINICIAN_MUST_DECIDE
