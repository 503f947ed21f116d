"""What was due of an order when it was changed stays due, and is given and counted by the new one."""

from datetime import timedelta

import pytest
from django.urls import reverse

from clinic import records
from clinic.ids import new_id
from clinic.models import Patient
from tests.therapy.sessions.samples import START, done, make_order, make_window, payload
from therapy.orders import services as orders
from therapy.orders.models import Order
from therapy.orders.selectors import by_then, changed_to, stopped
from therapy.outcomes.selectors import counted_windows
from therapy.pages.record_checks.treatments import windows_are_what_was_recorded
from therapy.scheduling import window_services
from therapy.sessions import services
from therapy.sessions.payload import PayloadRefused

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]
CHANGED = START - timedelta(minutes=30)


@pytest.fixture
def order(world, cast, screened):
    screened(world.mosswater, at=START - timedelta(minutes=5))
    return make_order(world.mosswater, cast.therapist)


@pytest.fixture
def window(order):
    return make_window(order)


def changed(order, by, at=CHANGED, sets=2):
    """The order, changed to another number of sets while the window of this morning was open."""
    new = Order.objects.get(pk=order.pk)
    new.pk, new._state.adding = new_id(), True
    new.sets, new.dose = sets, {**order.dose, "sets": sets}
    records.replace(order, new, by=by, at=at, reason="tires easily")
    return new


def record(person, patient, **given):
    return services.record(by=person, payload=payload(patient.pk, person.pk, **given)).treatment


def test_the_open_window_is_begun_with_what_is_ordered_now(order, window, cast, client):
    new = changed(order, cast.lead)
    client.force_login(cast.therapist)
    page = client.get(reverse("treat-window", args=[window.pk]))
    assert page.status_code == 200
    assert "The order has ended" not in page.content.decode()
    assert page.context["task"].order == new


def test_a_treatment_by_the_new_order_fills_the_window_of_the_old_one(order, window, cast, world):
    new = changed(order, cast.lead)
    treatment = record(
        cast.therapist, world.mosswater, order=str(new.pk), window=str(window.pk), done=done(sets=2)
    )
    window.refresh_from_db()
    assert (treatment.window_id, window.state) == (window.pk, "full")
    assert not treatment.outside_rules
    assert not list(windows_are_what_was_recorded())


def test_without_naming_the_window_it_is_found_by_the_time(order, window, cast, world):
    new = changed(order, cast.lead)
    treatment = record(cast.therapist, world.mosswater, order=str(new.pk), done=done(sets=2))
    assert treatment.window_id == window.pk


def test_a_window_alone_takes_the_order_that_held_when_it_was_given(order, window, cast, world):
    # Sent late: given before the change, recorded after it.
    new = changed(order, cast.lead, at=START + timedelta(minutes=25))
    before = record(cast.therapist, world.mosswater, window=str(window.pk))
    assert before.order_id == order.pk
    assert by_then(order, START + timedelta(hours=1)) == new


def test_a_part_is_counted_by_the_dose_under_which_it_was_given(order, window, cast, world):
    new = changed(order, cast.lead, sets=4)
    record(
        cast.therapist, world.mosswater, order=str(new.pk), window=str(window.pk), delivered="part",
        reason="too_tired", done=done(sets=1),
    )  # fmt: skip
    (row,) = counted_windows(
        Patient.objects.filter(pk=world.mosswater.pk), start=START - timedelta(days=1), end=START + timedelta(days=1)
    )  # fmt: skip
    assert (row.outcome.state, row.outcome.sets_done, row.outcome.sets_ordered) == ("part", 1, 4)


def test_changed_and_then_stopped_nothing_is_to_be_given_and_the_window_is_cancelled(order, window, cast):
    new = changed(order, cast.lead)
    ended = Order.objects.get(pk=order.pk)
    assert changed_to([ended])[order.pk] == new
    assert stopped([ended]) == {}
    orders.stop(by=cast.lead, order=new, reason="clears by coughing")
    assert "clears by coughing" in stopped([ended])[order.pk]
    window_services.close_windows(window.latest + timedelta(hours=2))
    window.refresh_from_db()
    assert (window.state, window.reason) == ("cancelled", "order_ended")


def test_another_order_of_the_patient_still_cannot_fill_it(order, window, cast, world):
    other = make_order(world.mosswater, cast.therapist, technique="pep")
    with pytest.raises(PayloadRefused, match="another order"):
        record(cast.therapist, world.mosswater, order=str(other.pk), window=str(window.pk), technique="pep")
