"""A therapist's round: treatments of covered patients, and visits of earlier days that were never recorded."""

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone

from clinic.assignments.services import cover
from clinic.models import Absence, Shift
from tests.conftest import NOW, assign, make_patient
from tests.therapy.pages.test_home import order_for, screened, text_of, visit_for, window_for
from therapy.models import ScheduledVisit, VisitStaff
from therapy.pages import minutes
from therapy.pages.selectors_round import round_home
from therapy.scheduling.window_services import close_windows

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


def test_visits_of_an_earlier_day_that_were_begun_or_never_were_are_unfinished_notes_with_their_date(
    cast, world, sign_in
):
    screened(world.mosswater, cast.therapist)
    order = order_for(world.mosswater, cast.lead, started_at=NOW - timedelta(days=1, minutes=30))
    begun = window_for(order, begins_in_minutes=-24 * 60)
    visit = visit_for(begun, cast.therapist, cast.lead, state="begun")
    never_begun = window_for(order, 2, begins_in_minutes=-26 * 60)
    later = visit_for(never_begun, cast.therapist, cast.lead, start=never_begun.earliest)
    # Taken off this one, and put on it again: one row of the round, not two.
    times = {"start": later.start, "end": later.end}
    VisitStaff.objects.create(visit=later, person=cast.therapist, state="cancelled", **times)
    taken_off = window_for(order, 3, begins_in_minutes=-29 * 60)
    others = visit_for(taken_off, cast.colleague, cast.lead, start=taken_off.earliest)
    times = {"start": others.start, "end": others.end}
    VisitStaff.objects.create(visit=others, person=cast.therapist, state="cancelled", **times)
    client = sign_in(cast.therapist)
    said = text_of(client.get("/"))
    unfinished = said[said.index("Unfinished notes") :]
    assert unfinished.count("MOSSWATER") == 4, "each row, and its name for whoever listens to the page"
    assert "24-Nov-2026, 07:41 to 08:41" in unfinished
    assert "24-Nov-2026, 09:41 to 10:41" in unfinished
    assert "Visit 24-Nov-2026, 09:41 to 10:11." in unfinished
    assert "MOSSWATER" not in said[: said.index("Reassessments due")]
    assert client.get(f"/treat/visit/{visit.pk}/").status_code == 200
    for rows in (ScheduledVisit.objects.all(), VisitStaff.objects.exclude(state="cancelled")):
        rows.update(state="done")
    said = text_of(client.get("/"))
    assert "Every visit of today that is over has its record" in said[said.index("Unfinished notes") :]


def test_a_visit_of_an_earlier_day_that_nobody_recorded_stands_on_the_leads_page_until_somebody_does(
    cast, world, sign_in
):
    """The access that came with a visit of somebody else's patient ends a day after it: then only the lead sees it."""
    screened(world.thistledown, cast.lead, at=NOW - timedelta(days=2, hours=1))
    order = order_for(world.thistledown, cast.lead, started_at=NOW - timedelta(days=3))
    window = window_for(order, begins_in_minutes=-48 * 60)
    visit = visit_for(window, cast.therapist, cast.lead)
    close_windows(NOW)
    window.refresh_from_db()
    assert window.reason_group == "not_recorded"
    assert "THISTLEDOWN" not in text_of(sign_in(cast.therapist).get("/"))
    client = sign_in(cast.lead)
    said = text_of(client.get("/"))
    listed = said[said.index("Visits without a record") :]
    assert "23-Nov-2026" in listed
    assert "THISTLEDOWN, Oona" in listed
    assert str(cast.therapist) in listed
    reason = {"record_id": "01999999-0000-7000-8000-000000000009", "reason": "declined", "reason_words": ""}
    assert client.post(f"/treat/visit/{visit.pk}/not-given/", reason).status_code == 302
    assert "Visits without a record" not in text_of(client.get("/"))


def test_a_visit_that_was_held_asks_nobody_for_a_record(cast, world, sign_in):
    """Why nothing was given is kept with the window that the job closed."""
    order = order_for(world.mosswater, cast.lead, started_at=NOW - timedelta(days=3))
    window = window_for(order, begins_in_minutes=-48 * 60)
    visit_for(window, cast.therapist, cast.lead)
    close_windows(NOW)
    window.refresh_from_db()
    assert window.reason == "screening_not_done"
    assert "Visits without a record" not in text_of(sign_in(cast.lead).get("/"))
    said = text_of(sign_in(cast.therapist).get("/"))
    assert "MOSSWATER" not in said[said.index("Unfinished notes") :]


def absent(person, *, hours=8):
    Absence.objects.create(
        person=person, start=NOW - timedelta(hours=2), end=NOW + timedelta(hours=hours), reason="sick"
    )


def on_shift(*people):
    for person in people:
        Shift.objects.create(person=person, start=NOW - timedelta(hours=2), end=NOW + timedelta(hours=6))


def on_round(person):
    """Patients on a person's round whose treatment has no visit."""
    return {stop.who.patient for stop in round_home(person, NOW).without_time}


def due_of(person):
    """How many patients' minutes stand with a person on the lead's page."""
    rows = minutes.today(timezone.localdate(NOW), NOW).rows
    return {row.person: row.patients for row in rows}.get(person, 0)


def test_a_treatment_without_a_visit_stands_on_the_round_of_whoever_covers(cast, world, sign_in):
    """Round and minutes take the owner by one rule."""
    for patient in (world.mosswater, world.thistledown):
        screened(patient, cast.lead)
        window_for(order_for(patient, cast.lead))
    on_shift(cast.therapist, cast.colleague)
    absent(cast.therapist)
    assert on_round(cast.therapist) == {world.mosswater}
    assert on_round(cast.colleague) == {world.thistledown}
    cover(world.mosswater, to=cast.colleague, by=cast.lead, until=NOW + timedelta(days=5), reason="off sick")
    assert on_round(cast.colleague) == {world.mosswater, world.thistledown}
    assert on_round(cast.therapist) == set()
    assert (due_of(cast.colleague), due_of(cast.therapist)) == (2, 0)
    said = text_of(sign_in(cast.colleague).get("/"))
    assert "MOSSWATER" in said[said.index("Due without a visit") : said.index("On hold")]


def test_a_therapist_who_is_back_has_the_own_patients_back_while_the_covering_runs_on(cast, world):
    screened(world.mosswater, cast.lead)
    window_for(order_for(world.mosswater, cast.lead))
    on_shift(cast.therapist, cast.colleague)
    cover(world.mosswater, to=cast.colleague, by=cast.lead, until=NOW + timedelta(hours=24), reason="was off")
    assert (on_round(cast.therapist), on_round(cast.colleague)) == ({world.mosswater}, set())
    assert (due_of(cast.therapist), due_of(cast.colleague)) == (1, 0)


def test_where_two_cover_the_one_asked_last_who_is_there_treats(cast, world):
    screened(world.mosswater, cast.lead)
    window_for(order_for(world.mosswater, cast.lead))
    on_shift(cast.therapist, cast.colleague, cast.outsider)
    absent(cast.therapist)
    for number, person in enumerate((cast.colleague, cast.outsider)):
        with time_machine.travel(NOW - timedelta(minutes=10 - number), tick=False):
            cover(world.mosswater, to=person, by=cast.lead, until=NOW + timedelta(days=5), reason="off sick")
    assert (on_round(cast.outsider), on_round(cast.colleague)) == ({world.mosswater}, set())
    absent(cast.outsider)
    assert (on_round(cast.outsider), on_round(cast.colleague)) == (set(), {world.mosswater})
    assert (due_of(cast.outsider), due_of(cast.colleague)) == (0, 1)


def test_whoever_covers_without_a_shift_still_sees_what_is_due(cast, world):
    """A shift that was never entered must not hide a treatment from the one who is to give it."""
    screened(world.mosswater, cast.lead)
    window_for(order_for(world.mosswater, cast.lead))
    absent(cast.therapist)
    cover(world.mosswater, to=cast.colleague, by=cast.lead, until=NOW + timedelta(days=5), reason="off sick")
    assert on_round(cast.colleague) == {world.mosswater}


def test_a_round_of_many_covered_patients_costs_what_a_round_of_one_costs(
    cast, world, sign_in, django_assert_max_num_queries
):
    def covered(patient):
        screened(patient, cast.lead)
        window_for(order_for(patient, cast.lead))
        cover(patient, to=cast.colleague, by=cast.lead, until=NOW + timedelta(days=5), reason="off sick")

    on_shift(cast.therapist, cast.colleague)
    absent(cast.therapist)
    covered(world.mosswater)
    client = sign_in(cast.colleague)
    client.get("/")
    with django_assert_max_num_queries(70) as few:
        client.get("/")
    for number in range(5):
        patient = make_patient(
            f"Fernhill{number}",
            "Alder",
            NOW.date().replace(year=1960),
            f"20411900{number + 2}",
            unit=world.acute,
        )
        assign(patient, cast.therapist, cast.lead)
        covered(patient)
    assert len(on_round(cast.colleague)) == 6
    with django_assert_max_num_queries(len(few)):
        client.get("/")
