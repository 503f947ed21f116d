"""A struck record gives its visit back: done or "not given", with whoever was to make it, if the time is still free."""

from datetime import timedelta

import pytest

from clinic.models import Flag
from tests.therapy.sessions.samples import START, make_order, make_window, not_given, payload
from therapy.orders import services as orders
from therapy.pages.record_checks.care import visits_agree_with_their_parts
from therapy.scheduling import services as schedule
from therapy.scheduling.models import ScheduledVisit, VisitStaff
from therapy.sessions import services

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


@pytest.fixture
def order(world, cast, screened):
    screened(world.mosswater, at=START - timedelta(minutes=5))
    return make_order(world.mosswater, cast.therapist)


@pytest.fixture
def visit(order, cast):
    return schedule.give(
        by=cast.lead, window=make_window(order, hours=2), therapists=[cast.therapist, cast.colleague],
        start=START + timedelta(hours=2),
    ).visit  # fmt: skip


def declined(order, person, visit, **changes):
    sent = not_given(order.patient_id, person.pk, order=str(order.pk), visit=str(visit.pk), **changes)
    return services.record(by=person, payload={**sent, "window": str(visit.window_id)}).treatment


def strike(treatment, by):
    services.strike_entered_in_error(by=by, treatment=treatment, reason="other bed", expect_version=1)


def places(visit):
    return dict(visit.staff.order_by("pk").values_list("person__username", "state"))


def test_striking_a_mistaken_not_given_brings_the_visit_and_its_people_back(order, visit, cast):
    schedule.move(by=cast.lead, visit=visit, therapists=[cast.therapist], start=visit.start)
    treatment = declined(order, cast.therapist, visit)
    visit.refresh_from_db()
    assert (visit.state, visit.reason) == ("cancelled", "not given: declined")
    strike(treatment, cast.therapist)
    visit.refresh_from_db()
    assert (visit.state, visit.reason, visit.window.state) == ("scheduled", "", "open")
    # The colleague was taken off before: not called back.
    assert places(visit) == {
        cast.therapist.username: "scheduled",
        cast.colleague.username: "cancelled",
    }
    assert not list(visits_agree_with_their_parts())
    assert not Flag.objects.filter(kind="check_entry").exists()


def test_a_visit_whose_time_was_taken_meanwhile_stays_cancelled_and_somebody_is_asked(
    order, visit, cast, world, screened
):
    treatment = declined(order, cast.therapist, visit)
    other = ScheduledVisit.objects.create(
        patient=world.pebblebrook,
        service_date=visit.service_date,
        start=visit.start,
        end=visit.end,
        by=cast.lead,
    )
    VisitStaff.objects.create(visit=other, person=cast.colleague, start=other.start, end=other.end)
    strike(treatment, cast.therapist)
    visit.refresh_from_db()
    assert visit.state == "cancelled"
    assert set(places(visit).values()) == {"cancelled"}
    assert visit.window.state == "open"
    flag = Flag.objects.get(kind="check_entry", state="open")
    assert (flag.subject_id, "11:05 to 11:35" in flag.words) == (str(treatment.pk), True)


def test_a_visit_stays_cancelled_while_another_record_says_that_nothing_was_given(order, visit, cast):
    first = declined(order, cast.therapist, visit)
    second = declined(order, cast.therapist, visit)
    strike(first, cast.therapist)
    visit.refresh_from_db()
    assert visit.state == "cancelled"
    strike(second, cast.therapist)
    visit.refresh_from_db()
    assert visit.state == "scheduled"


def test_a_visit_that_was_cancelled_for_another_reason_or_whose_order_ended_does_not_come_back(
    order, visit, cast
):
    treatment = declined(order, cast.therapist, visit)
    orders.stop(by=cast.therapist, order=order, reason="clears by coughing")
    strike(treatment, cast.therapist)
    visit.refresh_from_db()
    assert visit.state == "cancelled"
    assert not Flag.objects.filter(kind="check_entry").exists()


def test_a_visit_that_the_lead_took_back_stays_off_the_schedule(order, visit, cast):
    schedule.take_back(by=cast.lead, visit=visit, reason="theatre")
    treatment = services.record(
        by=cast.therapist,
        payload=payload(order.patient_id, cast.therapist.pk, order=str(order.pk), visit=str(visit.pk)),
    ).treatment
    strike(treatment, cast.therapist)
    visit.refresh_from_db()
    assert (visit.state, visit.reason) == ("cancelled", "theatre")


def given(order, person, visit, **changes):
    sent = payload(order.patient_id, person.pk, order=str(order.pk), window=str(visit.window_id), **changes)
    return services.record(by=person, payload=sent).treatment


def test_a_visit_that_was_declined_and_made_later_in_the_same_window_is_done(order, visit, cast):
    """Whoever made it in the end has it on the day's time line; the refusal stays a record of its own."""
    declined(order, cast.therapist, visit)
    given(order, cast.therapist, visit)
    visit.refresh_from_db()
    assert (visit.state, visit.reason, visit.window.state) == ("done", "", "full")
    assert set(places(visit).values()) == {"done"}
    assert not list(visits_agree_with_their_parts())


def test_striking_what_was_given_later_leaves_the_visit_cancelled_by_the_refusal(order, visit, cast):
    refusal = declined(order, cast.therapist, visit)
    later = given(order, cast.therapist, visit)
    strike(later, cast.therapist)
    visit.refresh_from_db()
    assert (visit.state, visit.reason) == ("cancelled", "not given: declined")
    assert visit.window.state == "not_delivered"
    strike(refusal, cast.therapist)
    visit.refresh_from_db()
    assert (visit.state, visit.window.state) == ("scheduled", "open")
    assert not list(visits_agree_with_their_parts())


def test_a_declined_visit_whose_time_was_taken_stays_cancelled_when_it_is_made_later(
    order, visit, cast, world
):
    declined(order, cast.therapist, visit)
    other = ScheduledVisit.objects.create(
        patient=world.pebblebrook,
        service_date=visit.service_date,
        start=visit.start,
        end=visit.end,
        by=cast.lead,
    )
    VisitStaff.objects.create(visit=other, person=cast.colleague, start=other.start, end=other.end)
    given(order, cast.therapist, visit)
    visit.refresh_from_db()
    assert (visit.state, visit.window.state) == ("cancelled", "full")


def test_a_visit_that_the_lead_took_back_is_not_made_done_by_a_treatment_in_its_window(order, visit, cast):
    schedule.take_back(by=cast.lead, visit=visit, reason="theatre")
    given(order, cast.therapist, visit)
    visit.refresh_from_db()
    assert (visit.state, visit.reason) == ("cancelled", "theatre")
