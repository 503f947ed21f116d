"""Who is told of a new hold, that more is told of more, and that what is overdue rings once more."""

import datetime as dt

import pytest
import time_machine

from clinic.assignments import services as assignments
from clinic.assignments.models import AccessGrant
from clinic.attention import services as attention
from clinic.attention.models import Flag, Notice, Told
from clinic.records import Refused
from screening import hold_services, ordered, selectors, services, table
from tests.conftest import NOW, make_person

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture(autouse=True)
def frozen():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture(autouse=True)
def pep_is_ordered():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("pep",)))
    yield
    ordered.told_by(before)


def screen(world, by, *, at=NOW, **changed):
    with time_machine.travel(at, tick=False):
        return services.record_screening(by=by, patient=world.mosswater, answers=ALL_NO | changed, at=at)


def told(kind="hold"):
    return {notice.to for notice in Notice.objects.filter(kind=kind)}


def test_the_assigned_the_covering_and_todays_therapist_and_the_lead_are_told(world, cast):
    scheduled = make_person("ferncastle", "therapist")
    tomorrow = make_person("brackenhall", "therapist")
    assignments.cover(
        world.mosswater, to=cast.colleague, by=cast.lead, until=NOW + 12 * HOUR, reason="off sick"
    )
    for person, start in ((scheduled, NOW + 4 * HOUR), (tomorrow, NOW + 24 * HOUR)):
        AccessGrant.objects.create(
            person=person, patient=world.mosswater, why="scheduled", from_at=start, until_at=start + HOUR
        )
    AccessGrant.objects.create(
        person=cast.outsider, patient=world.mosswater, why="covering", from_at=NOW - 9 * HOUR,
        until_at=NOW - HOUR,
    )  # fmt: skip
    nurse = make_person("wrenfield", "therapist")
    AccessGrant.objects.create(person=nurse, patient=world.mosswater, why="emergency", from_at=NOW - HOUR)
    screen(world, nurse, epistaxis="yes")
    assert told() == {cast.lead, cast.therapist, cast.colleague, scheduled}
    assert all(notice.flag == Flag.objects.get() for notice in Notice.objects.filter(kind="hold"))


def test_a_finding_holds_and_is_told_while_another_row_is_still_open(world, cast):
    screen(world, cast.therapist, epistaxis="yes", acute_sinusitis="unknown")
    held = selectors.guard(world.mosswater, "pep", NOW, purpose="begin")
    assert (held.allowed, held.bar) == (False, "incomplete")
    assert Flag.objects.get().technique == "pep"
    assert told() == {cast.lead}
    assert held.decide_by == Flag.objects.get().due_at


def test_an_open_row_alone_opens_no_flag(world, cast):
    screen(world, cast.therapist, acute_sinusitis="unknown")
    assert not Flag.objects.exists()


def test_what_was_decided_is_not_asked_again_while_another_row_is_open(world, cast):
    row = screen(world, cast.therapist, epistaxis="yes")
    services.decide(
        by=cast.lead, screening=row, technique="pep", proceed=True, reason_code="condition_controlled",
        reason="Stopped an hour ago.", expires_at=NOW + 24 * HOUR, at=NOW,
    )  # fmt: skip
    screen(world, cast.therapist, at=NOW + HOUR, epistaxis="yes", acute_sinusitis="unknown")
    assert not Flag.objects.filter(state="open").exists()


def test_more_that_is_found_on_a_technique_on_hold_is_told_too_and_gives_no_more_time(world, cast):
    screen(world, cast.therapist, epistaxis="yes")
    first = Flag.objects.get()
    screen(world, cast.therapist, at=NOW + HOUR / 2, epistaxis="yes", acute_sinusitis="yes")
    first.refresh_from_db()
    second = Flag.objects.get(state="open")
    assert (first.outcome, first.outcome_words) == ("superseded", "More was found")
    assert "sinusitis" in second.words.lower()
    assert second.due_at == first.due_at
    assert Notice.objects.filter(kind="hold", flag=second, to=cast.lead).count() == 1


def test_the_same_finding_screened_again_tells_nobody_again(world, cast):
    screen(world, cast.therapist, epistaxis="yes")
    screen(world, cast.therapist, at=NOW + HOUR / 2, epistaxis="yes")
    assert Flag.objects.count() == 1
    assert Notice.objects.count() == 1


def test_an_overdue_decision_is_told_once_more_and_only_once(world, cast):
    screen(world, cast.lead, epistaxis="yes")
    due = Flag.objects.get().due_at
    assert hold_services.tell_overdue(at=due) == 0, "at the due minute it is due, not overdue"
    later = due + dt.timedelta(minutes=1)
    assert hold_services.tell_overdue(at=later) == 1
    assert told("overdue") == {cast.lead, cast.therapist}
    assert hold_services.tell_overdue(at=later) == 0
    assert hold_services.tell_overdue(at=later + HOUR) == 0
    assert Notice.objects.filter(kind="overdue").count() == 2


def test_a_decision_that_was_put_off_does_not_ring_before_its_time(world, cast):
    screen(world, cast.lead, epistaxis="yes")
    attention.put_off(Flag.objects.get(), by=cast.lead, until=NOW + 5 * HOUR, reason="in theatre")
    assert hold_services.tell_overdue(at=NOW + 2 * HOUR) == 0
    assert hold_services.tell_overdue(at=NOW + 5 * HOUR) == 1


def test_looking_for_what_is_overdue_costs_one_query_where_nothing_is(world, cast, django_assert_num_queries):
    screen(world, cast.lead, epistaxis="yes")
    with django_assert_num_queries(1):
        hold_services.tell_overdue(at=NOW)


# Told by telephone or in person


def tell(world, by, **changed):
    given = {
        "who": "Dr Larkspur, on call", "how": "phone", "at": NOW - HOUR / 4, "said": "Will come at 11:00.",
        "technique": "pep",
    } | changed  # fmt: skip
    return attention.record_told(by=by, patient=world.mosswater, **given)


def test_somebody_without_an_account_was_told_and_what_they_said_is_kept(world, cast):
    tell(world, cast.therapist)
    row = Told.objects.get()
    assert (row.who, row.how, row.said, row.by) == (
        "Dr Larkspur, on call", "phone", "Will come at 11:00.", cast.therapist,
    )  # fmt: skip


def test_the_same_form_sent_twice_is_one_record(world, cast, some_id):
    assert tell(world, cast.therapist, told_id=some_id) == tell(world, cast.therapist, told_id=some_id)
    assert Told.objects.count() == 1


@pytest.mark.parametrize(
    ("changed", "field"),
    [({"who": " "}, "who"), ({"how": "pigeon"}, "how"), ({"said": ""}, "said"), ({"at": NOW + HOUR}, "at")],
)
def test_who_how_what_and_when_are_wanted(world, cast, changed, field):
    with pytest.raises(Refused) as refused:
        tell(world, cast.therapist, **changed)
    assert refused.value.field == field


def test_who_may_not_open_the_patient_records_nothing(world, cast):
    with pytest.raises(attention.NotPermitted):
        tell(world, cast.outsider)
