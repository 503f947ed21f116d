"""The day page as a lead walks it."""

import re
from datetime import date, datetime
from typing import Any

import pytest
from django.urls import reverse

from clinic.models import Competency, IsolationNote, Shift
from tests.conftest import NOW
from therapy.orders import services as orders
from therapy.scheduling import services
from therapy.scheduling.models import DueWindow, ScheduledVisit

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)


def _clock(clock: str) -> datetime:
    hour, minute = clock.split(":")
    return NOW.replace(hour=int(hour), minute=int(minute))


def _noon_window(order: Any) -> DueWindow:
    return DueWindow.objects.get(order=order, service_date=TODAY, ordinal=2)


@pytest.fixture
def rostered(cast):
    for person in (cast.therapist, cast.colleague):
        Shift.objects.create(person=person, start=_clock("07:30"), end=_clock("15:30"))
        Competency.objects.create(person=person, technique="pep", valid_from=date(2026, 1, 1))


def _day(client: Any, query: str = "?date=2026-11-25") -> str:
    response = client.get(reverse("day-schedule") + query)
    assert response.status_code == 200
    return response.content.decode()


def test_the_day_shows_what_is_free_by_the_assigned_therapist_and_what_is_given(
    world, cast, ordered, rostered, sign_in
):
    window = _noon_window(ordered(world.mosswater))
    ordered(world.thistledown)
    client = sign_in(cast.lead)
    page = _day(client)
    assert "Patients of R. Quillfeather" in page
    assert "Patients of T. Lindqvale" in page
    assert "12:00 to 14:30" in page
    services.give(by=cast.lead, window=window, therapists=[cast.therapist], start=_clock("12:30"))
    page = _day(client)
    visit = ScheduledVisit.objects.get()
    assert f'href="#visit-{visit.pk}-{cast.therapist.pk}"' in page
    assert "12:30 to 13:00" in page
    assert "<b>1</b> with a visit" in page


def test_a_bar_of_the_time_line_says_whose_it_is_without_cutting_a_name_short(
    world, cast, ordered, rostered, sign_in
):
    """Names in full or not at all (NHS Common User Interface, patient names); the label begins with what is seen."""
    window = _noon_window(ordered(world.mosswater))
    services.give(by=cast.lead, window=window, therapists=[cast.therapist], start=_clock("12:30"))
    page = _day(sign_in(cast.lead))
    assert re.findall(r'<text class="whose"[^>]*>([^<]*)</text>', page) == ["MB 553"]
    assert 'aria-label="12:30 MB 553: MOSSWATER, Bryn, PEP, scheduled"' in page


def test_a_window_is_given_on_its_own_page_with_a_suggestion_and_the_identity(
    world, cast, ordered, rostered, sign_in
):
    window = _noon_window(ordered(world.mosswater))
    client = sign_in(cast.lead)
    address = reverse("give-window", kwargs={"window_id": window.pk})
    page = client.get(address).content.decode()
    assert "Give PEP of MOSSWATER, Bryn" in page
    assert 'value="12:00"' in page
    given = client.post(address, {"therapist": cast.therapist.pk, "start": "12:15", "minutes": "30"})
    assert given.url == reverse("day-schedule") + "?date=2026-11-25"
    assert ScheduledVisit.objects.get().start == _clock("12:15")
    # A second press is sent to the visit that is there already.
    again = client.post(address, {"therapist": cast.colleague.pk, "start": "13:15", "minutes": "30"})
    assert again.url == reverse("visit", kwargs={"visit_id": ScheduledVisit.objects.get().pk})


def test_an_overlap_is_answered_at_once_on_the_form(world, cast, ordered, rostered, sign_in):
    first, second = _noon_window(ordered(world.mosswater)), _noon_window(ordered(world.pebblebrook))
    services.give(by=cast.lead, window=first, therapists=[cast.therapist], start=_clock("12:30"))
    response = sign_in(cast.lead).post(
        reverse("give-window", kwargs={"window_id": second.pk}),
        {"therapist": cast.therapist.pk, "start": "12:45", "minutes": "30"},
    )
    assert response.status_code == 422
    page = response.content.decode()
    assert "R. Quillfeather is with MOSSWATER, Bryn, 12:30 to 13:00." in page
    assert 'value="12:45"' in page


def test_a_visit_is_moved_and_taken_off_on_its_page(world, cast, ordered, rostered, sign_in):
    window = _noon_window(ordered(world.mosswater))
    visit = services.give(
        by=cast.lead, window=window, therapists=[cast.therapist], start=_clock("12:30")
    ).visit
    client = sign_in(cast.lead)
    address = reverse("visit", kwargs={"visit_id": visit.pk})
    assert "Move the visit of MOSSWATER, Bryn" in client.get(address).content.decode()
    moved = client.post(address, {"step": "move", "therapist": cast.colleague.pk, "start": "13:30"})
    assert moved.status_code == 302
    visit.refresh_from_db()
    assert visit.start == _clock("13:30")
    assert client.post(address, {"step": "take-back", "why": ""}).status_code == 422
    assert client.post(address, {"step": "take-back", "why": "theatre"}).status_code == 302
    visit.refresh_from_db()
    assert (visit.state, visit.reason) == ("cancelled", "theatre")


def test_all_windows_are_given_in_order_in_one_step(world, cast, ordered, rostered, sign_in):
    ordered(world.mosswater)
    ordered(world.pebblebrook)
    client = sign_in(cast.lead)
    posted = {"therapist": cast.therapist.pk, "patients_of": cast.therapist.pk, "date": "2026-11-25"}
    response = client.post(reverse("give-in-order"), posted, follow=True)
    page = response.content.decode()
    assert "2 visits given to R. Quillfeather. Left out: 2 no time left in the window." in page
    assert ScheduledVisit.objects.count() == 2


@pytest.mark.usefixtures("rostered")
def test_a_visit_whose_guard_fails_shows_as_on_hold(world, cast, ordered, screened, sign_in):
    window = _noon_window(ordered(world.mosswater))
    services.give(by=cast.lead, window=window, therapists=[cast.therapist], start=_clock("12:30"))
    screened(world.mosswater, pneumothorax_suspected_or_tension="yes")
    page = _day(sign_in(cast.lead))
    assert "on hold" in page
    assert 'class="visit held"' in page
    assert ScheduledVisit.objects.get().state == "scheduled"


def test_an_order_on_hold_shows_who_decides_by_when(world, cast, ordered, rostered, sign_in):
    order = ordered(world.mosswater)
    orders.hold(by=cast.lead, order=order, reason="fever", decides="Dr Larkspur", decide_by=_clock("16:00"))
    assert "fever; Dr Larkspur decides by 25-Nov-2026 16:00" in _day(sign_in(cast.lead))


def test_isolation_and_two_identifiers_stand_in_every_row(world, cast, ordered, rostered, sign_in):
    ordered(world.mosswater)
    IsolationNote.objects.create(patient=world.mosswater, kind="contact", words="gown, gloves", by=cast.lead)
    page = _day(sign_in(cast.lead))
    assert "Contact precautions: gown, gloves" in page
    assert "204 118 553" in page
    assert "14-Mar-1958" in page


def test_a_day_without_anything_and_an_unreadable_day_still_show_a_page(world, cast, clock, sign_in):
    client = sign_in(cast.lead)
    assert "No treatment is due on this day" in _day(client)
    assert "Wed 25-Nov-2026" in _day(client, "?date=soon")


@pytest.mark.usefixtures("rostered")
def test_the_day_takes_the_same_queries_for_few_and_for_many(
    world, cast, ordered, sign_in, django_assert_max_num_queries
):
    client = sign_in(cast.lead)
    counts = []
    for patients, techniques in (
        ([world.mosswater], ["pep"]),
        ([world.pebblebrook, world.thistledown], ["pep", "mi_e"]),
    ):
        for patient in patients:
            for technique in techniques:
                ordered(patient, technique)
        for therapist in (cast.therapist, cast.colleague):
            services.give_in_order(
                by=cast.lead, therapist=therapist, patients_of=therapist, service_date=TODAY
            )
        with django_assert_max_num_queries(30) as captured:
            _day(client)
        counts.append(len(captured))
    assert counts[0] == counts[1]


def test_another_day_is_asked_for_by_day_month_and_year(world, cast, clock, sign_in):
    client = sign_in(cast.lead)
    asked = "?other_day=3&other_month=Dec&other_year=2026"
    assert client.get(reverse("day-schedule") + asked).url == reverse("day-schedule") + "?date=2026-12-03"
    refused = client.get(reverse("day-schedule") + "?other_day=31&other_month=2&other_year=2026")
    assert refused.status_code == 422
    assert "must be a real date" in refused.content.decode()


@pytest.mark.parametrize("who", ["therapist", "outsider", "manager", "administrator"])
def test_only_a_lead_opens_the_day_schedule(world, cast, ordered, sign_in, who):
    window = _noon_window(ordered(world.mosswater))
    client = sign_in(getattr(cast, who))
    assert client.get(reverse("day-schedule")).status_code == 403
    assert client.get(reverse("give-window", kwargs={"window_id": window.pk})).status_code == 403
    assert client.post(reverse("give-in-order"), {}).status_code == 403
