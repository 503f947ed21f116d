"""Assigning, and sharing out what nobody covers: the numbers, the one step, the pages as the lead walks them."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.urls import reverse

from clinic.access import NotPermitted, patients_visible_to
from clinic.models import AccessGrant, Assignment, Notice, Patient, Person, Referral, Shift
from clinic.records import Refused
from clinic.referrals import services as referrals
from clinic.staff import services as staff
from tests.conftest import NOW, Cast, World, assign, make_patient
from therapy.pages import assigning, minutes
from therapy.scheduling import services as schedule
from therapy.scheduling.models import DueWindow, ScheduledVisit, VisitStaff

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)
SAYS = {"urgency": "soon", "reason": "More sputum.", "referrer": "Dr Larkspur"}


def at(clock: str) -> datetime:
    hour, minute = clock.split(":")
    return NOW.replace(hour=int(hour), minute=int(minute))


@pytest.fixture
def on_shift(cast: Cast, clock: Any) -> None:
    for person in (cast.therapist, cast.colleague):
        Shift.objects.create(person=person, start=at("07:30"), end=at("15:30"))


@pytest.fixture
def absent(cast: Cast, on_shift: None) -> None:
    """The therapist goes off sick before the first treatment that is left."""
    staff.mark_absent(cast.therapist, by=cast.lead, start=NOW, end=at("23:00"), reason="sick")


def rows(cast: Cast, day: date = TODAY) -> list[assigning.NotCovered]:
    offered = [one for one in assigning.therapists(day, NOW) if one.present]
    return assigning.not_covered(cast.lead, day, NOW, offered)


def test_each_therapist_stands_with_minutes_due_and_present_for_the_rest_of_the_day(
    cast: Cast, world: World, on_shift: None, ordered: Any
) -> None:
    """Worked by hand: from 09:41 to 15:30 are 349 min; due are the minutes of the windows that are still open."""
    ordered(world.mosswater)
    listed = {one.person: one for one in assigning.therapists(TODAY, NOW)}
    assert listed[cast.therapist].present == listed[cast.colleague].present == 349
    open_now = DueWindow.objects.filter(service_date=TODAY, state="open", latest__gte=NOW)
    assert listed[cast.therapist].due == sum(window.minutes for window in open_now) > 0
    assert listed[cast.colleague].due == 0
    assert listed[cast.outsider].words == "A. Otterby: not present"
    assert cast.lead not in listed, "the lead is offered only when present"


def test_assigning_accepts_the_referral_and_opens_the_record(cast: Cast, world: World, clock: Any) -> None:
    referral = referrals.receive(world.unassigned, by=cast.lead, source="written", **SAYS)
    assert [one.referral for one in assigning.unassigned(cast.lead, NOW)] == [referral]
    assigning.assign_all(cast.lead, {world.unassigned: cast.colleague})
    assert Referral.objects.get().outcome == "accepted"
    assert Patient.objects.get(pk=world.unassigned.pk).state == "active"
    assert world.unassigned in patients_visible_to(cast.colleague)
    assert assigning.unassigned(cast.lead, NOW) == []


def test_where_one_of_several_cannot_be_assigned_none_is(cast: Cast, world: World, clock: Any) -> None:
    with pytest.raises(Refused):
        assigning.assign_all(cast.lead, {world.unassigned: cast.colleague, world.mosswater: cast.colleague})
    assert not Assignment.objects.filter(patient=world.unassigned).exists()


def test_a_patient_on_the_caseload_without_referral_and_therapist_is_listed_too(
    cast: Cast, world: World, clock: Any
) -> None:
    lost = make_patient("Oakapple", "Tam", date(1961, 7, 3), "204130001", unit=world.acute)
    assert [(one.who.patient, one.referral) for one in assigning.unassigned(cast.lead, NOW)] == [(lost, None)]


def test_all_patients_of_an_absent_therapist_are_shown_at_once_and_nobody_elses(
    cast: Cast, world: World, absent: None, ordered: Any
) -> None:
    ordered(world.mosswater)
    found = {row.who.patient: row for row in rows(cast)}
    assert set(found) == {world.mosswater, world.pebblebrook}
    assert found[world.mosswater].treatments > 0
    assert found[world.pebblebrook].treatments == 0
    assert found[world.mosswater].words == "R. Quillfeather off sick since 09:41"
    assert {row.proposed for row in found.values()} == {cast.colleague}


def test_the_proposal_spreads_patients_by_free_minutes(
    cast: Cast, world: World, absent: None, ordered: Any
) -> None:
    Shift.objects.create(person=cast.outsider, start=at("07:30"), end=at("15:30"))
    ordered(world.mosswater)
    ordered(world.pebblebrook)
    assert {row.proposed for row in rows(cast)} == {cast.colleague, cast.outsider}


def test_sharing_out_covers_moves_visits_and_leaves_the_owner(
    cast: Cast, world: World, absent: None, ordered: Any
) -> None:
    window = DueWindow.objects.get(order=ordered(world.mosswater), service_date=TODAY, ordinal=2)
    # Scheduled before the absence was known.
    visit = ScheduledVisit.objects.create(
        patient=world.mosswater, window=window, service_date=TODAY, start=window.earliest,
        end=window.earliest + timedelta(minutes=30), by=cast.lead,
    )  # fmt: skip
    VisitStaff.objects.create(visit=visit, person=cast.therapist, start=visit.start, end=visit.end)
    shared = assigning.share_out(cast.lead, [(row, cast.colleague) for row in rows(cast)])
    assert (shared.covered, shared.moved, shared.taken_off) == (2, 1, ())
    place = VisitStaff.objects.get(visit=visit, state="scheduled")
    assert (place.person, place.start) == (cast.colleague, window.earliest)
    assert Assignment.objects.get(patient=world.mosswater, ended_at__isnull=True).therapist == cast.therapist
    grant = AccessGrant.objects.get(patient=world.mosswater, why="covering")
    assert grant.until_at > at("23:00")
    assert "You cover 2 patients: R. Quillfeather off sick" in Notice.objects.get(to=cast.colleague).words
    assert rows(cast) == []


def test_a_visit_that_cannot_be_moved_is_taken_off_and_its_window_stays_due(
    cast: Cast, world: World, absent: None, ordered: Any
) -> None:
    window = DueWindow.objects.get(order=ordered(world.mosswater), service_date=TODAY, ordinal=2)
    other = DueWindow.objects.get(order=ordered(world.thistledown), service_date=TODAY, ordinal=2)
    schedule.give(
        by=cast.lead, window=other, therapists=[cast.colleague], start=max(window.earliest, other.earliest)
    )
    start = max(window.earliest, other.earliest)
    visit = ScheduledVisit.objects.create(
        patient=world.mosswater, window=window, service_date=TODAY, start=start, end=start + timedelta(minutes=30),
        by=cast.lead,
    )  # fmt: skip
    VisitStaff.objects.create(visit=visit, person=cast.therapist, start=visit.start, end=visit.end)
    shared = assigning.share_out(cast.lead, [(row, cast.colleague) for row in rows(cast)])
    assert shared.moved == 0
    assert len(shared.taken_off) == 1
    assert "204 118 553" in shared.taken_off[0]
    visit.refresh_from_db()
    window.refresh_from_db()
    assert (visit.state, window.state) == ("cancelled", "open")


def test_a_therapist_without_a_shift_shows_only_patients_with_something_due(
    cast: Cast, world: World, clock: Any, ordered: Any
) -> None:
    ordered(world.mosswater)
    assert [row.who.patient for row in rows(cast)] == [world.mosswater]
    assert rows(cast)[0].words == "R. Quillfeather is not on shift"
    assert rows(cast)[0].proposed is None


def test_a_day_ahead_is_covered_ahead(cast: Cast, world: World, on_shift: None) -> None:
    tomorrow = NOW + timedelta(days=1)
    staff.mark_absent(
        cast.therapist, by=cast.lead, start=tomorrow, end=tomorrow + timedelta(hours=2), reason="leave"
    )
    assert {row.who.patient for row in rows(cast, TODAY + timedelta(days=1))} == {
        world.mosswater,
        world.pebblebrook,
    }
    assert rows(cast) == []


def uncovered_at_home(at: datetime = NOW) -> list[tuple[Person | None, int, int]]:
    """What the lead's home page says nobody present is to give: whose, treatments, minutes."""
    return [(one.person, one.windows, one.minutes) for one in minutes.today(TODAY, at).uncovered]


def test_whoever_covers_and_is_off_sick_too_covers_nobody_and_both_pages_say_so(
    cast: Cast, world: World, absent: None, ordered: Any
) -> None:
    ordered(world.mosswater)
    before = {row.who.patient: (row.treatments, row.minutes) for row in rows(cast)}
    assert uncovered_at_home() == [(cast.therapist, *before[world.mosswater])]
    assigning.share_out(cast.lead, [(row, cast.colleague) for row in rows(cast)])
    assert (rows(cast), uncovered_at_home()) == ([], [])
    staff.mark_absent(cast.colleague, by=cast.lead, start=NOW, end=at("23:00"), reason="sick")
    again = {row.who.patient: row for row in rows(cast)}
    assert {key: (row.treatments, row.minutes) for key, row in again.items()} == before | {
        world.thistledown: (0, 0)
    }
    assert again[world.mosswater].owner == cast.therapist
    assert uncovered_at_home() == [(cast.therapist, *before[world.mosswater])]
    asked = assigning.not_covered(cast.lead, TODAY, NOW, [], owner_id=cast.therapist.pk)
    assert {row.who.patient for row in asked} == {world.mosswater, world.pebblebrook}
    Shift.objects.create(person=cast.outsider, start=at("07:30"), end=at("15:30"))
    assigning.share_out(cast.lead, [(row, cast.outsider) for row in rows(cast)])
    assert (rows(cast), uncovered_at_home()) == ([], [])


def test_visits_of_whoever_covers_and_is_off_sick_too_stand_with_the_owner_and_move_on(
    cast: Cast, world: World, absent: None, ordered: Any
) -> None:
    window = DueWindow.objects.get(order=ordered(world.mosswater), service_date=TODAY, ordinal=2)
    assigning.share_out(cast.lead, [(row, cast.colleague) for row in rows(cast)])
    visit = schedule.give(
        by=cast.lead, window=window, therapists=[cast.colleague], start=window.earliest
    ).visit
    assert (rows(cast), uncovered_at_home()) == ([], [])
    staff.mark_absent(cast.colleague, by=cast.lead, start=NOW, end=at("23:00"), reason="sick")
    listed = [(row.owner, row.treatments, row.minutes) for row in rows(cast) if row.treatments]
    assert listed == uncovered_at_home() != []
    Shift.objects.create(person=cast.outsider, start=at("07:30"), end=at("15:30"))
    assert assigning.share_out(cast.lead, [(row, cast.outsider) for row in rows(cast)]).moved == 1
    assert VisitStaff.objects.get(visit=visit, state="scheduled").person == cast.outsider
    assert (rows(cast), uncovered_at_home()) == ([], [])


def test_a_closed_account_covers_nobody(cast: Cast, world: World, absent: None, ordered: Any) -> None:
    ordered(world.mosswater)
    assigning.share_out(cast.lead, [(row, cast.colleague) for row in rows(cast)])
    Person.objects.filter(pk=cast.colleague.pk).update(is_active=False)
    assert {row.who.patient for row in rows(cast)} == {world.mosswater, world.pebblebrook, world.thistledown}
    assert [person for person, *_ in uncovered_at_home()] == [cast.therapist]


def test_patients_of_a_closed_account_stand_on_both_pages_until_they_are_shared_out_and_assigned_anew(
    cast: Cast, world: World, on_shift: None, ordered: Any, sign_in: Any
) -> None:
    """Whoever leaves the service leaves patients behind: they must not fall off every list."""
    ordered(world.mosswater)
    staff.close_account(cast.therapist, by=cast.administrator)
    cast.therapist.refresh_from_db()
    found = rows(cast)
    assert {row.who.patient for row in found} == {world.mosswater, world.pebblebrook}
    assert {(row.words, row.for_good) for row in found} == {("R. Quillfeather: the account is closed", True)}
    listed = [(row.owner, row.treatments, row.minutes) for row in found if row.treatments]
    assert listed == uncovered_at_home() != []
    lead = sign_in(cast.lead)
    home = lead.get("/").content.decode()
    assert "R. Quillfeather: the account is closed" in home
    assert f"{reverse('cover')}?therapist={cast.therapist.pk}" in home
    page = lead.get(f"{reverse('cover')}?therapist={cast.therapist.pk}").content.decode()
    assert reverse("patient-assign", args=[world.pebblebrook.pk]) in page
    assigning.share_out(cast.lead, [(row, cast.colleague) for row in found])
    assert (rows(cast), uncovered_at_home()) == ([], [])
    assert set(patients_visible_to(cast.colleague)) >= {world.mosswater, world.pebblebrook}
    # Covering ends; what is assigned anew stays.
    assigning.assign_all(cast.lead, {world.mosswater: cast.colleague}, reason="has left the service")
    AccessGrant.objects.filter(why="covering").update(until_at=NOW)
    assert {row.who.patient for row in rows(cast)} == {world.pebblebrook}


def test_whoever_covers_and_has_gone_home_leaves_only_what_is_still_due(
    cast: Cast, world: World, absent: None, ordered: Any, clock: Any
) -> None:
    """After the shift of who covers, a patient with nothing due is no work for the lead; one with a treatment is."""
    ordered(world.mosswater)
    assigning.share_out(cast.lead, [(row, cast.colleague) for row in rows(cast)])
    evening = at("16:00")
    clock.move_to(evening)
    found = assigning.not_covered(cast.lead, TODAY, evening, [])
    assert [row.who.patient for row in found] == [world.mosswater]
    assert [(row.owner, row.treatments, row.minutes) for row in found] == uncovered_at_home(evening)


def test_only_the_lead_shares_out(cast: Cast, world: World, absent: None) -> None:
    found = rows(cast)
    for person in (cast.therapist, cast.manager):
        with pytest.raises(NotPermitted):
            assigning.share_out(person, [(found[0], cast.colleague)])


def test_the_lead_walks_from_a_call_to_an_assigned_patient(
    cast: Cast, world: World, on_shift: None, sign_in: Any
) -> None:
    client = sign_in(cast.lead)
    referrals.receive(world.unassigned, by=cast.therapist, source="telephone", **SAYS)
    page = client.get(reverse("assigning")).content.decode()
    assert "HEATHERLEY, Sol" in page
    assert "T. Lindqvale: 0 of 349 min" in page
    assert client.post(reverse("assigning"), {}).status_code == 422
    answer = client.post(reverse("assigning"), {str(world.unassigned.pk): cast.colleague.pk}, follow=True)
    assert "Every patient has a therapist" in answer.content.decode()
    address = reverse("patient-assign", args=[world.unassigned.pk])
    assert client.post(address, {"therapist": cast.therapist.pk, "reason": ""}).status_code == 422
    client.post(address, {"therapist": cast.therapist.pk, "reason": "Works this ward."})
    assert "Works this ward." in client.get(address).content.decode()


def test_the_lead_marks_somebody_absent_and_shares_out_in_one_step(
    cast: Cast, world: World, on_shift: None, ordered: Any, sign_in: Any
) -> None:
    ordered(world.mosswater)
    client = sign_in(cast.lead)
    form = {
        "reason": "sick", "start_day": 25, "start_month": 11, "start_year": 2026, "start_time": "09:41",
        "end_day": 25, "end_month": 11, "end_year": 2026, "end_time": "23:00",
    }  # fmt: skip
    answer = client.post(reverse("absent", args=[cast.therapist.pk]), form, follow=True)
    page = answer.content.decode()
    assert answer.redirect_chain[-1][0] == reverse("cover") + "?date=2026-11-25"
    assert "MOSSWATER, Bryn" in page
    assert f'<option value="{cast.colleague.pk}" selected>' in page
    assert "More is due than there is time for" not in page
    chosen = {str(one.pk): cast.colleague.pk for one in (world.mosswater, world.pebblebrook)}
    page = client.post(reverse("cover"), chosen, follow=True).content.decode()
    assert "2 patients covered" in page
    assert "Everybody is covered" in page
    covering = sign_in(cast.colleague).get(reverse("attention")).content.decode()
    assert "You cover 2 patients" in covering


def test_nobody_but_the_lead_reaches_the_pages(cast: Cast, world: World, clock: Any, sign_in: Any) -> None:
    for person in (cast.therapist, cast.manager, cast.administrator):
        client = sign_in(person)
        for address in (
            reverse("assigning"), reverse("cover"), reverse("patient-assign", args=[world.mosswater.pk])
        ):  # fmt: skip
            assert client.get(address).status_code == 403
            assert client.post(address, {}).status_code == 403


def test_both_pages_cost_the_same_number_of_queries_for_few_and_for_many(
    cast: Cast, world: World, ordered: Any, sign_in: Any, django_assert_max_num_queries: Any
) -> None:
    staff.mark_absent(cast.therapist, by=cast.lead, start=NOW, end=at("23:00"), reason="sick")
    ordered(world.mosswater)
    make_patient("Oakapple", "Tam", TODAY, "204130001", unit=world.acute)
    client = sign_in(cast.lead)
    with django_assert_max_num_queries(30) as cover:
        client.get(reverse("cover"))
    with django_assert_max_num_queries(24) as assigned:
        client.get(reverse("assigning"))
    for number in range(8):
        patient = make_patient(f"Demo{number:03d}", "Case", TODAY, f"7{number:03d}", unit=world.acute)
        assign(patient, cast.therapist, cast.lead)
        make_patient(f"Other{number:03d}", "Case", TODAY, f"8{number:03d}", unit=world.acute)
        Person.objects.create_person(
            f"demo{number}", given_name="A", family_name=f"B{number}", role="therapist"
        )
    with django_assert_max_num_queries(len(cover.captured_queries)):
        client.get(reverse("cover"))
    with django_assert_max_num_queries(len(assigned.captured_queries)):
        client.get(reverse("assigning"))
