"""The home page of each role: what stands on it, in which order, and what it costs to read."""

import re
from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone

from clinic.assignments.services import HANDOVER
from clinic.models import Absence, Measurement, Notice, PatientIdentity, Referral, Shift
from screening.models import Screening
from screening.services import record_screening
from screening.table import current as rule_table
from tests.conftest import NOW, assign, make_patient
from therapy.models import DueWindow, Order, OrderHold, ScheduledVisit, TreatmentSession, VisitStaff
from therapy.orders.doses import counted_columns, starting_dose
from therapy.pages.demo.load import load
from therapy.pages.selectors_round import changed_since

pytestmark = pytest.mark.django_db
LEAD_BLOCKS = ["New referrals", "Not covered today", "On hold, someone must decide",
               "Minutes due against minutes present", "Reassessments", "To sign"]  # fmt: skip
ROUND_BLOCKS = ["Rest of the round", "On hold", "Hand-over for me", "Reassessments due", "Unfinished notes"]
SERVICE_BLOCKS = [
    "Treatments delivered",
    "Reassessed on time",
    "Referral to first treatment",
    "This week and the last four",
    "Not delivered, by reason",
    "Adverse events and holds",
    "Minutes needed against present",
    "How complete the records are",
]


@pytest.fixture(autouse=True)
def at_the_fixed_time():
    with time_machine.travel(NOW, tick=False):
        yield


def order_for(patient, by, technique="oscillating_pep", **fields):
    dose = starting_dose(technique)
    return Order.objects.create(
        patient=patient,
        technique=technique,
        dose=dose,
        times_a_day=2,
        source="written",
        prescriber="Dr Larkspur",
        by=by,
        started_at=fields.pop("started_at", NOW - timedelta(days=1)),
        **counted_columns(technique, dose),
        **fields,
    )


def window_for(order, ordinal=1, *, begins_in_minutes=20):
    start = NOW + timedelta(minutes=begins_in_minutes)
    return DueWindow.objects.create(
        order=order,
        patient=order.patient,
        technique=order.technique,
        service_date=timezone.localdate(start),
        ordinal=ordinal,
        earliest=start,
        latest=start + timedelta(minutes=60),
        minutes=30,
    )


def visit_for(window, person, by, *, state="scheduled", start=None):
    times = {"start": start or window.earliest, "end": (start or window.earliest) + timedelta(minutes=30)}
    visit = ScheduledVisit.objects.create(
        patient=window.patient, window=window, service_date=window.service_date, by=by, state=state, **times
    )
    VisitStaff.objects.create(visit=visit, person=person, state=state, **times)
    return visit


def screened(patient, by, *, at=NOW - timedelta(minutes=30), **answers):
    """A screening with every row answered no, but for those given."""
    table = rule_table()
    told = dict.fromkeys(table.conditions, "no") | dict.fromkeys(table.numbers, "no_reason_to_measure")
    told |= {"minutes_since_meal": 120.0, "age_years": 68.0} | answers
    return record_screening(by=by, patient=patient, answers=told, at=at)


def text_of(response):
    body = response.content.decode()
    main = body[body.index("<main") : body.index("</main>")]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", main)).replace("\xa0", " ")


def headings(response):
    return [
        re.sub(r"<[^>]+>", "", found)
        for found in re.findall(r"<h2[^>]*>(.*?)</h2>", response.content.decode())
    ]


def test_the_lead_sees_everything_in_the_order_of_the_work(cast, sign_in):
    assert headings(sign_in(cast.lead).get("/")) == LEAD_BLOCKS


def test_an_empty_day_is_told_in_words(cast, sign_in):
    lead = text_of(sign_in(cast.lead).get("/"))
    for words in (
        "No referral waits for a decision.",
        "Every treatment due today has somebody present who is to give it.",
        "Nothing is on hold.",
        "Nobody has a shift today and nothing is due.",
        "No reassessment is overdue or due today.",
        "Nothing waits for a signature.",
        "Updated at 09:41",
    ):
        assert words in lead, words
    own = text_of(sign_in(cast.therapist).get("/"))
    for words in (
        "Your round has no visit left today.",
        "No other visit is scheduled for you today.",
        "None of your patients is on hold.",
        "No hand-over note waits for you.",
        "Every visit of today that is over has its record, and none of an earlier day is still open.",
    ):
        assert words in own, words
    service = text_of(sign_in(cast.manager).get("/"))
    assert "Nothing was due yet this week." in service
    assert "No first treatment yet this week." in service
    assert "Nothing to record" in service


def test_therapist_and_manager_see_their_blocks_in_order(cast, world, sign_in):
    assert headings(sign_in(cast.therapist).get("/")) == ROUND_BLOCKS
    assert headings(sign_in(cast.manager).get("/")) == SERVICE_BLOCKS
    assert headings(sign_in(cast.administrator).get("/")) == ["Accounts", "Settings"]


def test_whoever_is_not_signed_in_is_asked_to(client, db):
    for address in ("/", "/search/", "/about/"):
        assert client.get(address).url.startswith("/sign-in")


def test_no_home_page_carries_a_patient_banner(cast, world, sign_in):
    for person in (cast.lead, cast.therapist, cast.manager, cast.administrator):
        assert 'class="patient"' not in sign_in(person).get("/").content.decode()


def test_referrals_stand_by_urgency_with_their_waiting_time(cast, world, sign_in):
    for urgency, minutes, patient in (
        ("routine", 60 * 30, world.unassigned),
        ("urgent", 38, world.mosswater),
        ("soon", 190, world.pebblebrook),
    ):
        Referral.objects.create(
            patient=patient,
            source="written",
            urgency=urgency,
            reason=f"reason {urgency}",
            referrer="Dr Larkspur",
            received_at=NOW - timedelta(minutes=minutes),
        )
    said = text_of(sign_in(cast.lead).get("/"))
    places = [said.index(f"reason {urgency}") for urgency in ("urgent", "soon", "routine")]
    assert places == sorted(places)
    assert "waits 38 min" in said
    assert "waits 3 h 10 min" in said
    assert "waits 30 h" in said


def test_who_is_off_sick_leaves_patients_uncovered(cast, world, sign_in):
    window_for(order_for(world.mosswater, cast.lead))
    day = timezone.localdate(NOW)
    for person in (cast.therapist, cast.colleague):
        Shift.objects.create(person=person, start=NOW - timedelta(hours=2), end=NOW + timedelta(hours=6))
    Absence.objects.create(
        person=cast.therapist, start=NOW - timedelta(hours=2), end=NOW + timedelta(hours=8), reason="sick"
    )
    said = text_of(sign_in(cast.lead).get("/"))
    assert "1 patient, 30 min R. Quillfeather off sick since 07:41. 1 treatment due" in said
    assert day == timezone.localdate(NOW)


def test_minutes_due_stand_against_minutes_present(cast, world, sign_in):
    order = order_for(world.mosswater, cast.lead)
    for ordinal, begins in ((1, 20), (2, 120)):
        window_for(order, ordinal, begins_in_minutes=begins)
    Shift.objects.create(
        person=cast.therapist,
        start=NOW - timedelta(hours=1),
        end=NOW + timedelta(hours=3),
        break_start=NOW + timedelta(hours=1),
        break_end=NOW + timedelta(hours=1, minutes=30),
    )
    said = text_of(sign_in(cast.lead).get("/"))
    assert "R. Quillfeather 1 patient 60 150" in said


def test_holds_name_who_must_decide_and_by_when(cast, world, sign_in):
    held = order_for(world.pebblebrook, cast.lead)
    screened(world.pebblebrook, cast.lead, haemoptysis_24h_ml=8.0, haemoptysis_5_to_240="yes")
    by_person = order_for(world.mosswater, cast.lead)
    screened(world.mosswater, cast.lead)
    OrderHold.objects.create(
        order=by_person,
        reason="Waits for the film",
        by=cast.therapist,
        decides="Dr Burnet",
        decide_by=NOW + timedelta(hours=2),
    )
    said = text_of(sign_in(cast.lead).get("/"))
    assert "Haemoptysis, 5 to 240 mL in 24 h (8 mL): a clinician must decide" in said
    assert "Waits for the film" in said
    assert "Who decides: Dr Burnet, by 11:41" in said
    assert held.pk != by_person.pk


def test_an_overdue_reassessment_says_how_long_over(cast, world, sign_in):
    order_for(world.mosswater, cast.lead, started_at=NOW - timedelta(hours=75))
    said = text_of(sign_in(cast.lead).get("/"))
    assert "1 overdue, 0 due today" in said
    assert "3 h over" in said


def test_what_waits_for_a_signature_is_counted(cast, world, sign_in):
    order = order_for(world.mosswater, cast.therapist, read_back=True, needs_signature=True)
    TreatmentSession.objects.create(
        patient=world.mosswater,
        order=order,
        technique=order.technique,
        service_date=timezone.localdate(NOW),
        started_at=NOW,
        delivered="full",
        delivered_by="student",
        needs_signature=True,
        recorded_by=cast.therapist,
        recorded_at=NOW,
        payload_version="session/1",
        payload_sha256="a" * 64,
    )
    assert "1 telephone order, 1 student record" in text_of(sign_in(cast.lead).get("/"))


def test_the_next_patient_stands_with_two_identifiers_place_isolation_and_due_times(cast, world, sign_in):
    screened(world.mosswater, cast.therapist)
    world.mosswater.isolation_notes.create(kind="contact", words="gown, gloves", by=cast.lead)
    visit_for(window_for(order_for(world.mosswater, cast.lead)), cast.therapist, cast.lead)
    response = sign_in(cast.therapist).get("/")
    said = text_of(response)
    assert "Next, due from 10:01 to 11:01 MOSSWATER, Bryn" in said
    assert "Born 14-Mar-1958 (68 y)" in said
    assert "204 118 553" in said
    assert "Acute ward, room 12" in said
    assert "Contact precautions: gown, gloves" in said
    assert "Oscillating PEP: 4 sets of 10 breaths" in said


def test_a_patient_on_hold_is_never_next_and_cannot_be_started(cast, world, sign_in):
    screened(world.pebblebrook, cast.therapist, haemoptysis_24h_ml=8.0, haemoptysis_5_to_240="yes")
    visit_for(window_for(order_for(world.pebblebrook, cast.lead)), cast.therapist, cast.lead)
    said = text_of(sign_in(cast.therapist).get("/"))
    assert "Nobody is next" in said
    assert "Must not begin:" in said


def test_what_changed_since_the_last_visit_is_said_in_words(cast, world):
    order = order_for(world.mosswater, cast.lead)
    TreatmentSession.objects.create(
        patient=world.mosswater,
        order=order,
        technique=order.technique,
        service_date=timezone.localdate(NOW),
        started_at=NOW - timedelta(hours=5),
        delivered="full",
        recorded_by=cast.therapist,
        recorded_at=NOW - timedelta(hours=5),
        payload_version="session/1",
        payload_sha256="a" * 64,
    )
    for hours, flow in ((5, 1000), (1, 2000)):
        Measurement.objects.create(
            patient=world.mosswater,
            kind="spo2_percent",
            value=90,
            measured_at=NOW - timedelta(hours=hours),
            oxygen_device="nasal_cannula",
            oxygen_flow_ml_per_min=flow,
            by=cast.colleague,
        )
    screened(world.mosswater, cast.lead, osteoporosis="yes")
    order_for(world.mosswater, cast.lead, "drainage", started_at=NOW - timedelta(minutes=20))
    assert changed_since(world.mosswater, cast.therapist, NOW) == [
        "Drainage positions, not head-down new at 09:21.",
        "Oxygen now 2 L/min by nasal cannula, was 1 L/min by nasal cannula, at 08:41.",
        "Osteoporosis found at 09:11.",
    ]
    assert Screening.objects.filter(patient=world.mosswater).count() == 1


def test_hand_over_notes_stand_on_the_round_of_who_was_told(cast, world, sign_in):
    Notice.objects.create(
        kind=HANDOVER,
        to=cast.therapist,
        by=cast.colleague,
        patient=world.mosswater,
        words="Sits better with the table raised",
    )
    assert "Sits better with the table raised" in text_of(sign_in(cast.therapist).get("/"))
    assert "Sits better with the table raised" not in text_of(sign_in(cast.colleague).get("/"))


def test_a_note_that_was_read_leaves_the_round(cast, world, sign_in):
    note = Notice.objects.create(
        kind=HANDOVER, to=cast.therapist, by=cast.colleague, patient=world.mosswater, words="Tires early"
    )
    client = sign_in(cast.therapist)
    response = client.post(f"/attention/notices/{note.pk}/answer/", {"next": "home"}, follow=True)
    assert response.redirect_chain[-1][0] == "/"
    assert "Tires early" not in text_of(response)


def test_a_visit_that_is_over_without_a_record_is_an_unfinished_note(cast, world, sign_in):
    screened(world.mosswater, cast.therapist)
    window = window_for(order_for(world.mosswater, cast.lead), begins_in_minutes=-180)
    visit_for(window, cast.therapist, cast.lead, start=NOW - timedelta(minutes=170))
    said = text_of(sign_in(cast.therapist).get("/"))
    assert "over for an hour, or of an earlier day, and nothing recorded" in said
    assert said.index("MOSSWATER") > said.index("Unfinished notes")


def test_the_manager_and_the_administrator_see_no_patients_name(sign_in):
    load(small=True)
    from clinic.models import Person

    names = set(PatientIdentity.objects.values_list("family_name", flat=True))
    for username in ("fennimore", "kestrelby"):
        body = sign_in(Person.objects.get(username=username)).get("/").content.decode()
        assert {name for name in names if name.upper() in body.upper()} == set()


def test_reading_a_home_page_costs_the_same_whatever_the_caseload(
    cast, world, sign_in, django_assert_max_num_queries
):
    """One busy patient against five: the number of queries is the same."""

    def busy(patient, number):
        order = order_for(patient, cast.lead, started_at=NOW - timedelta(hours=80))
        screened(
            patient,
            cast.lead,
            haemoptysis_24h_ml=8.0 if number % 2 else 0.0,
            haemoptysis_5_to_240="yes" if number % 2 else "no",
        )
        first = window_for(order, 1, begins_in_minutes=10 + 70 * number)
        visit_for(first, cast.therapist, cast.lead)
        window_for(order, 2, begins_in_minutes=500)
        Referral.objects.create(
            patient=patient,
            source="written",
            urgency="soon",
            reason="more",
            referrer="Dr Burnet",
            received_at=NOW,
        )
        Notice.objects.create(
            kind=HANDOVER, to=cast.therapist, by=cast.colleague, patient=patient, words="note"
        )

    def counted(person):
        client = sign_in(person)
        client.get("/")
        with django_assert_max_num_queries(70) as queries:
            assert client.get("/").status_code == 200
        return len(queries)

    busy(world.mosswater, 0)
    busy(world.pebblebrook, 1)
    people = (cast.lead, cast.therapist, cast.manager, cast.administrator)
    few = [counted(person) for person in people]
    for number in range(2, 7):
        patient = make_patient(
            f"Fernhill{number}", "Alder", NOW.date().replace(year=1960), f"20411900{number}", unit=world.acute
        )
        assign(patient, cast.therapist, cast.lead)
        busy(patient, number)
    assert [counted(person) for person in people] == few
