"""The patient page: what it shows and to whom, that reading is audited, and that its queries are constant."""

from datetime import timedelta

import pytest
from django.urls import reverse

from clinic.models import AuditEvent, GoalOfCare, IsolationNote, SpO2Target
from tests.conftest import NOW
from tests.therapy.sessions.samples import (
    AIR,
    START,
    TWO_LITRES,
    make_order,
    make_window,
    measured,
    not_given,
    payload,
)
from tests.therapy.sessions.test_views import text
from therapy.orders.models import OrderHold
from therapy.sessions import services
from therapy.sessions.independent_services import record_independent_sets

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


@pytest.fixture
def order(world, cast, screened):
    screened(world.mosswater, at=START - timedelta(minutes=5))
    return make_order(world.mosswater, cast.therapist, independent_sets_a_day=3)


@pytest.fixture
def read(sign_in, cast, world):
    client = sign_in(cast.therapist)
    return lambda: client.get(reverse("patient", args=[world.mosswater.pk]))


def test_a_patient_of_whom_nothing_is_known_says_so_everywhere(read):
    said = text(read())
    for words in (
        "Nothing is due today",
        "Nothing is ordered",
        "No treatment has been recorded",
        "No screening has been recorded. Until one is, no treatment may begin.",
        "Isolation Not recorded",
        "Goals of care Not recorded",
        "SpO2 target Not recorded: ask",
        "Nothing due treatments delivered",
        "No day of the last 28 has an entry.",
    ):
        assert words in said, words


def test_it_shows_who_it_is_what_holds_what_is_due_and_what_was_given(read, order, cast, world):
    IsolationNote.objects.create(patient=world.mosswater, kind="contact", words="gown, gloves", by=cast.lead)
    GoalOfCare.objects.create(patient=world.mosswater, words="Home by Friday", by=cast.lead)
    SpO2Target.objects.create(
        patient=world.mosswater, low_percent=88, high_percent=92, stop_below_percent=86, by=cast.lead
    )
    OrderHold.objects.create(
        order=order,
        reason="await chest film",
        by=cast.lead,
        decides="Dr Larkspur",
        decide_by=NOW,
        started_at=NOW,
    )
    window = make_window(order, hours=1)
    sent = payload(order.patient_id, cast.therapist.pk, order=str(order.pk))
    treatment = services.record(by=cast.therapist, payload=sent).treatment
    page = read()
    said = text(page)
    for words in (
        "MOSSWATER, Bryn",
        "Contact precautions: gown, gloves",
        "Home by Friday",
        "Stop: SpO2 below 86 %",
        "Stop: On hold. Oscillating PEP: await chest film. Dr Larkspur decides by 25-Nov-2026 09:41.",
        "3 sets of 10 breaths, twice a day",
        "10:05 to 12:05",
        "Oscillating PEP, given in full",
        "R. Quillfeather",
    ):
        assert words in said, words
    body = page.content.decode()
    for name, pk in (("treat-window", window.pk), ("treatment", treatment.pk), ("treat-order", order.pk)):
        assert reverse(name, args=[pk]) in body


def test_treatments_delivered_stand_with_their_counts_and_what_was_not_due_beside(read, order, cast):
    for days, reason in ((1, None), (2, None), (3, "declined"), (4, "on_hold")):
        make_window(order, hours=-24 * days - 1, ordinal=1)
        at = (START - timedelta(days=days)).isoformat()
        common = {"order": str(order.pk), "started_at": at, "ended_at": None}
        sent = (
            not_given(order.patient_id, cast.therapist.pk, reason, **common)
            if reason
            else payload(order.patient_id, cast.therapist.pk, **common)
        )
        services.record(by=cast.therapist, payload=sent)
    said = text(read())
    # 2 of 3 due; the one on hold was not due.
    assert "2 in full, 0 in part, of 3 due" in said
    assert "on hold 1, away 0" in said


def test_response_is_shown_only_where_the_oxygen_was_the_same(read, order, cast):
    for number, after in enumerate((AIR, TWO_LITRES)):
        values = [measured("spo2_percent", "before", 90, AIR), measured("spo2_percent", "after", 93, after)]
        at = (START - timedelta(hours=number)).isoformat()
        sent = payload(
            order.patient_id,
            cast.therapist.pk,
            order=str(order.pk),
            measurements=values,
            started_at=at,
            ended_at=None,
        )
        services.record(by=cast.therapist, payload=sent)
    said = text(read())
    assert "only at the same oxygen: 1 of 2 treatments" in said
    assert "other oxygen" in said


def test_independent_sets_stand_apart_and_may_exceed_what_was_ordered(read, order, cast, world):
    for days, sets in ((1, 4), (2, 3)):
        record_independent_sets(
            by=cast.therapist, patient=world.mosswater, order=order, sets_done=sets, reported_by="patient",
            service_date=NOW.date() - timedelta(days=days),
        )  # fmt: skip
    assert "7 sets done of 6 ordered, 117 %, from 2 days with an entry; 26 days without one." in text(read())


def test_reading_is_audited_once_and_others_do_not_find_the_patient(read, sign_in, cast, world):
    read()
    row = AuditEvent.objects.get(action="patient page read")
    assert (row.actor_id, row.patient_id) == (cast.therapist.pk, world.mosswater.pk)
    address = reverse("patient", args=[world.mosswater.pk])
    assert sign_in(cast.outsider).get(address).status_code == 404
    assert sign_in(cast.colleague).get(address).status_code == 404
    for person in (cast.manager, cast.administrator):
        assert sign_in(person).get(address).status_code == 403
    assert sign_in(cast.lead).get(address).status_code == 200


def test_it_asks_the_database_as_often_for_much_as_for_little(
    read, order, cast, django_assert_max_num_queries
):
    def one_more(days):
        make_window(order, hours=-24 * days - 1, ordinal=1)
        at = (START - timedelta(days=days)).isoformat()
        sent = payload(order.patient_id, cast.therapist.pk, order=str(order.pk), started_at=at, ended_at=None)
        services.record(by=cast.therapist, payload=sent)

    def count():
        with django_assert_max_num_queries(60) as counted:
            assert read().status_code == 200
        return len(counted)

    one_more(1)
    few = count()
    for days in range(2, 7):
        one_more(days)
    make_order(order.patient, cast.therapist, technique="hfcwo", sets=None, breaths_per_set=None, minutes=20)
    assert count() <= few
