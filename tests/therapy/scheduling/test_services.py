"""The schedule by hand: what a lead may do, what the database refuses, and how the refusal reads."""

from datetime import date, datetime, timedelta

import pytest
from django.db import IntegrityError, transaction
from django.http import Http404

from clinic import records
from clinic.access import NotPermitted, patients_visible_to
from clinic.models import Absence, Assignment, Competency, Shift, StandardMinutes
from clinic.records import Refused
from tests.conftest import NOW
from tests.therapy.conftest import prescription
from therapy.orders import services as orders
from therapy.scheduling import board, selectors, services
from therapy.scheduling.models import DueWindow, ScheduledVisit, VisitStaff

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)
HALF_HOUR = timedelta(minutes=30)


def _clock(clock: str) -> datetime:
    hour, minute = clock.split(":")
    return NOW.replace(hour=int(hour), minute=int(minute))


def _noon_window(order) -> DueWindow:
    """Due from 12:00 to 14:30."""
    return DueWindow.objects.get(order=order, service_date=TODAY, ordinal=2)


@pytest.fixture
def rostered(cast):
    for person in (cast.therapist, cast.colleague):
        Shift.objects.create(
            person=person,
            start=_clock("07:30"),
            end=_clock("15:30"),
            break_start=_clock("12:00"),
            break_end=_clock("12:30"),
        )
        Competency.objects.create(person=person, technique="pep", valid_from=date(2026, 1, 1))


def _give(cast, window, person, clock, **more):
    return services.give(by=cast.lead, window=window, therapists=[person], start=_clock(clock), **more)


def test_a_window_given_to_a_therapist_is_a_visit_and_opens_the_patients_pages(
    world, cast, ordered, rostered
):
    window = _noon_window(ordered(world.mosswater))
    assert world.mosswater not in patients_visible_to(cast.colleague)
    given = _give(cast, window, cast.colleague, "12:30")
    assert (given.visit.start, given.visit.end) == (_clock("12:30"), _clock("13:00"))
    assert given.warnings == ()
    assert world.mosswater in patients_visible_to(cast.colleague)
    services.take_back(by=cast.lead, visit=given.visit, reason="theatre")
    assert world.mosswater not in patients_visible_to(cast.colleague)


@pytest.mark.parametrize("who", ["therapist", "manager", "administrator"])
def test_only_a_lead_schedules(world, cast, ordered, rostered, who):
    window = _noon_window(ordered(world.mosswater))
    visit = _give(cast, window, cast.therapist, "12:30").visit
    person = getattr(cast, who)
    for act in (
        lambda: services.give(by=person, window=window, therapists=[cast.therapist], start=_clock("13:00")),
        lambda: services.move(by=person, visit=visit, therapists=[cast.therapist], start=_clock("13:00")),
        lambda: services.take_back(by=person, visit=visit, reason="x"),
        lambda: services.give_in_order(
            by=person, therapist=cast.therapist, patients_of=cast.therapist, service_date=TODAY
        ),
    ):
        with pytest.raises(NotPermitted):
            act()


def test_a_therapist_in_two_places_is_refused_naming_who_is_busy_when(world, cast, ordered, rostered):
    _give(cast, _noon_window(ordered(world.mosswater)), cast.therapist, "12:30")
    other = _noon_window(ordered(world.pebblebrook))
    with pytest.raises(Refused) as refused:
        _give(cast, other, cast.therapist, "12:45")
    assert refused.value.message == "R. Quillfeather is with MOSSWATER, Bryn, 12:30 to 13:00."
    assert ScheduledVisit.objects.count() == 1
    assert _give(cast, other, cast.therapist, "13:00").visit.state == "scheduled"


def test_a_patient_in_two_places_is_refused(world, cast, ordered, rostered):
    _give(cast, _noon_window(ordered(world.mosswater)), cast.therapist, "12:30")
    second = _noon_window(ordered(world.mosswater, "breathing_techniques"))
    with pytest.raises(Refused, match="The patient has another visit, 12:30 to 13:00"):
        _give(cast, second, cast.colleague, "12:50")


def test_a_window_has_one_visit(world, cast, ordered, rostered):
    window = _noon_window(ordered(world.mosswater))
    _give(cast, window, cast.therapist, "12:30")
    with pytest.raises(Refused, match="has a visit already, at 12:30"):
        _give(cast, window, cast.colleague, "13:30")


def test_the_database_itself_refuses_an_overlap_also_by_update(world, cast, ordered, rostered):
    first = _give(cast, _noon_window(ordered(world.mosswater)), cast.therapist, "12:30").visit
    second = _give(cast, _noon_window(ordered(world.pebblebrook)), cast.therapist, "13:30").visit
    with pytest.raises(IntegrityError), transaction.atomic():
        VisitStaff.objects.filter(visit=second).update(start=first.start, end=first.end)


def test_a_time_outside_the_window_is_refused(world, cast, ordered, rostered):
    window = _noon_window(ordered(world.mosswater))
    for clock in ("11:55", "14:35"):
        with pytest.raises(Refused, match="12:00 to 14:30"):
            _give(cast, window, cast.therapist, clock)


def test_the_guard_answers_at_once(world, cast, ordered, rostered, screened):
    window = _noon_window(ordered(world.mosswater))
    screened(world.mosswater, pneumothorax_suspected_or_tension="yes")
    with pytest.raises(Refused, match="On hold: Pneumothorax"):
        _give(cast, window, cast.therapist, "12:30")


def test_an_order_on_hold_is_not_scheduled(world, cast, ordered, rostered):
    order = ordered(world.mosswater)
    orders.hold(by=cast.lead, order=order, reason="fever", decides="Dr Larkspur", decide_by=_clock("15:00"))
    with pytest.raises(Refused, match=r"fever\. Dr Larkspur decides"):
        _give(cast, _noon_window(order), cast.therapist, "12:30")


def test_a_hold_of_a_changed_order_holds_the_old_orders_open_window_too(
    world, cast, ordered, rostered, clock
):
    order = ordered(world.mosswater)
    clock.move_to(_clock("13:00"))
    orders.hold(by=cast.lead, order=order, reason="fever", decides="Dr Larkspur", decide_by=_clock("15:00"))
    orders.change(by=cast.lead, order=order, prescription=prescription(times_a_day=2), reason="tires easily")
    window = _noon_window(order)
    assert window.state == "open"
    with pytest.raises(Refused, match=r"fever\. Dr Larkspur decides"):
        _give(cast, window, cast.therapist, "13:30")
    given = services.give_in_order(
        by=cast.lead, therapist=cast.therapist, patients_of=cast.therapist, service_date=TODAY
    )
    assert given.visits == ()
    assert {left.reason for left in given.left} == {"fever; Dr Larkspur decides"}
    assert board.board_of(cast.lead, TODAY, _clock("13:00")).on_hold == 2


def test_an_absent_therapist_is_refused_and_one_without_shift_or_training_only_warned_of(
    world, cast, ordered, rostered
):
    window = _noon_window(ordered(world.mosswater))
    Absence.objects.create(
        person=cast.therapist, start=_clock("07:00"), end=_clock("18:00"), reason="sick", cancelled=False
    )
    with pytest.raises(Refused, match="absent from 07:00 to 18:00: off sick"):
        _give(cast, window, cast.therapist, "12:30")
    given = _give(cast, window, cast.outsider, "12:30")
    assert given.warnings == (
        "A. Otterby has no shift at this time.",
        "No training in PEP is recorded for A. Otterby.",
    )


def test_two_therapists_are_both_taken(world, cast, ordered, rostered):
    window = _noon_window(ordered(world.mosswater))
    services.give(
        by=cast.lead, window=window, therapists=[cast.therapist, cast.colleague], start=_clock("12:30")
    )
    other = _noon_window(ordered(world.pebblebrook))
    for person in (cast.therapist, cast.colleague):
        with pytest.raises(Refused, match="is with MOSSWATER"):
            _give(cast, other, person, "12:30")


def test_a_visit_moves_to_another_time_and_therapist_and_not_onto_another_visit(
    world, cast, ordered, rostered
):
    visit = _give(cast, _noon_window(ordered(world.mosswater)), cast.therapist, "12:30").visit
    _give(cast, _noon_window(ordered(world.pebblebrook)), cast.colleague, "13:30")
    with pytest.raises(Refused, match=r"T\. Lindqvale is with PEBBLEBROOK, Ivo, 13:30 to 14:00"):
        services.move(by=cast.lead, visit=visit, therapists=[cast.colleague], start=_clock("13:45"))
    visit.refresh_from_db()
    assert visit.start == _clock("12:30")
    services.move(by=cast.lead, visit=visit, therapists=[cast.colleague], start=_clock("14:15"))
    visit.refresh_from_db()
    assert (visit.start, visit.end) == (_clock("14:15"), _clock("14:45"))
    here = VisitStaff.objects.filter(visit=visit, state="scheduled")
    assert [(row.person, row.start) for row in here] == [(cast.colleague, _clock("14:15"))]
    # And back, onto the time it had: nothing of its own stands in its way.
    services.move(by=cast.lead, visit=visit, therapists=[cast.therapist], start=_clock("14:00"))
    services.move(by=cast.lead, visit=visit, therapists=[cast.therapist], start=_clock("14:10"))


def test_a_visit_that_has_begun_is_neither_moved_nor_taken_back(world, cast, ordered, rostered):
    visit = _give(cast, _noon_window(ordered(world.mosswater)), cast.therapist, "12:30").visit
    for rows in (ScheduledVisit.objects.filter(pk=visit.pk), VisitStaff.objects.filter(visit=visit)):
        rows.update(state="begun")
    with pytest.raises(Refused, match="has begun"):
        services.move(by=cast.lead, visit=visit, therapists=[cast.therapist], start=_clock("13:00"))
    with pytest.raises(Refused, match="has begun"):
        services.take_back(by=cast.lead, visit=visit, reason="x")


def test_a_visit_taken_back_leaves_its_window_free_for_another(world, cast, ordered, rostered):
    window = _noon_window(ordered(world.mosswater))
    visit = _give(cast, window, cast.therapist, "12:30").visit
    with pytest.raises(Refused, match="reason"):
        services.take_back(by=cast.lead, visit=visit, reason="")
    services.take_back(by=cast.lead, visit=visit, reason="in theatre")
    assert selectors.free_windows_of(cast.therapist, TODAY) != []
    assert _give(cast, window, cast.colleague, "12:30").visit.pk != visit.pk


def test_all_windows_of_a_therapists_patients_are_given_in_order_and_what_is_left_says_why(
    world, cast, ordered, rostered, screened
):
    for name, minutes in (("set_up", 5), ("notes", 5)):
        StandardMinutes.objects.create(kind="task", name=name, minutes=minutes)
    mosswater, pebblebrook = ordered(world.mosswater), ordered(world.pebblebrook)
    screened(world.unassigned)
    barred = ordered(world.pebblebrook, "drainage")
    screened(world.pebblebrook, rib_fracture="yes")
    given = services.give_in_order(
        by=cast.lead, therapist=cast.therapist, patients_of=cast.therapist, service_date=TODAY
    )
    # Shift to 15:30, break 12:00 to 12:30: two at noon, ten minutes apart; the evening windows find no one.
    assert [each.start for each in given.visits] == [_clock("12:30"), _clock("13:10")]
    assert {each.patient_id for each in given.visits} == {world.mosswater.pk, world.pebblebrook.pk}
    reasons = {(each.window.order_id, each.window.ordinal): each.reason for each in given.left}
    assert reasons[mosswater.pk, 3] == reasons[pebblebrook.pk, 3] == "no time left in the window"
    assert "clinician must decide" in reasons[barred.pk, 2]
    again = services.give_in_order(
        by=cast.lead, therapist=cast.therapist, patients_of=cast.therapist, service_date=TODAY
    )
    assert again.visits == ()


def test_patients_of_another_therapist_are_not_given_along(world, cast, ordered, rostered):
    ordered(world.mosswater)
    given = services.give_in_order(
        by=cast.lead, therapist=cast.colleague, patients_of=cast.colleague, service_date=TODAY
    )
    assert given.visits == ()
    assert Assignment.objects.filter(therapist=cast.colleague).exists()


def test_the_patients_of_an_absent_colleague_and_of_nobody_are_given_to_another(
    world, cast, ordered, rostered
):
    ordered(world.mosswater)
    Absence.objects.create(person=cast.therapist, start=_clock("07:00"), end=_clock("18:00"), reason="sick")
    own = services.give_in_order(
        by=cast.lead, therapist=cast.therapist, patients_of=cast.therapist, service_date=TODAY
    )
    assert own.visits == ()
    assert {each.reason for each in own.left} == {"no time present on this day"}
    covered = services.give_in_order(
        by=cast.lead, therapist=cast.colleague, patients_of=cast.therapist, service_date=TODAY
    )
    assert [each.patient_id for each in covered.visits] == [world.mosswater.pk]
    mine = Assignment.objects.get(patient=world.pebblebrook)
    records.end(mine, by=cast.lead, at=NOW, reason="moved away")
    ordered(world.pebblebrook)
    nobodys = services.give_in_order(
        by=cast.lead, therapist=cast.colleague, patients_of=None, service_date=TODAY
    )
    assert [each.patient_id for each in nobodys.visits] == [world.pebblebrook.pk]


def test_a_window_of_a_patient_one_may_not_see_is_not_found(world, cast, ordered):
    window = _noon_window(ordered(world.mosswater))
    assert selectors.visible_window(cast.lead, window.pk) == window
    with pytest.raises(Http404):
        selectors.visible_window(cast.outsider, window.pk)


def test_what_is_left_of_a_stopped_order_shows_as_held_and_is_given_to_nobody(world, cast, ordered, clock):
    """A window that had opened stays until its time is over; nobody may be sent to give what was stopped."""
    order = ordered(world.mosswater)
    window = _noon_window(order)
    clock.move_to(_clock("12:05"))
    orders.stop(by=cast.lead, order=order, reason="blood in the sputum")
    window.refresh_from_db()
    assert window.state == "open"
    with pytest.raises(Refused, match="The order has ended: blood in the sputum"):
        _give(cast, window, cast.therapist, "12:30")
    assert selectors.holds_of([window]) == {window.pk: "The order has ended: blood in the sputum"}
    day = board.board_of(cast.lead, TODAY, _clock("12:05"))
    assert [(group.can_be_given, [each.held for each in group.windows]) for group in day.free] == [
        (0, ["The order has ended: blood in the sputum"])
    ]


def test_what_is_left_of_a_changed_order_stays_due(world, cast, ordered, clock):
    order = ordered(world.mosswater)
    window = _noon_window(order)
    clock.move_to(_clock("12:05"))
    orders.change(by=cast.lead, order=order, prescription=prescription(times_a_day=2), reason="tires easily")
    window.refresh_from_db()
    assert (window.state, selectors.holds_of([window])) == ("open", {})
