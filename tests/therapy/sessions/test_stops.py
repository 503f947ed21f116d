"""Stopping a treatment: one press, what follows from it, and how the stop becomes the record."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.attention.models import Flag, Notice, Told
from clinic.limits.rules import OxygenGiven
from clinic.models import Measurement
from clinic.records import Refused
from screening import hold_services, selectors
from screening import services as screenings
from screening.models import Screening
from tests.conftest import NOW
from tests.therapy.conftest import prescription
from tests.therapy.sessions.samples import START, make_order, make_window, payload
from tests.therapy.sessions.test_views import FILLED, fields_of, text
from therapy.orders import services as orders
from therapy.orders.models import OrderHold
from therapy.pages.record_checks.guarding import holds_after_a_stop_are_flagged
from therapy.sessions import services as sessions
from therapy.sessions import stop_page, stop_rules, stops
from therapy.sessions.models import AdverseEvent, StopRecheck, TreatmentSession, TreatmentStop

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]
MINUTE = timedelta(minutes=1)


@pytest.fixture
def order(world, cast, screened):
    screened(world.mosswater, at=START - timedelta(minutes=5))
    return make_order(world.mosswater, cast.therapist)


@pytest.fixture
def window(order):
    return make_window(order)


@pytest.fixture
def client(sign_in, cast):
    return sign_in(cast.therapist)


@pytest.fixture
def stopped(order, cast, some_id):
    return stops.stop(by=cast.therapist, patient=order.patient, order=order, stop_id=some_id, at=NOW)


def screen_again(patient, by, at):
    rows = Screening.objects.latest("started_at").answers.exclude(condition__in=("age_years", "age_under_2"))
    given = dict.fromkeys(rows.values_list("condition", flat=True), "no")
    return screenings.record_screening(by=by, patient=patient, answers=given, at=at)


# The press


def test_one_press_records_the_time_holds_the_order_tells_and_asks_for_two_checks(
    client, window, order, cast
):
    pressed = client.post(reverse("treat-stop", args=["window", window.pk]))
    row = TreatmentStop.objects.get()
    assert pressed.url == reverse("stop", args=[row.pk])
    assert (row.at, row.by, row.order, row.window, row.sign) == (NOW, cast.therapist, order, window, "")
    held = OrderHold.objects.get(order=order, ended_at__isnull=True)
    assert (held.wants_screening, held.decide_by) == (True, NOW + timedelta(hours=1))
    # 5 and 15 minutes: common practice, no source.
    assert [flag.due_at for flag in Flag.objects.filter(kind="recheck").order_by("due_at")] == [
        NOW + 5 * MINUTE, NOW + 15 * MINUTE,
    ]  # fmt: skip
    assert [notice.to for notice in Notice.objects.filter(kind="hold")] == [cast.lead]


def test_a_second_press_is_the_same_stop(client, window, some_id):
    for _ in range(2):
        client.post(reverse("treat-stop", args=["window", window.pk]), {"stop_id": some_id})
    assert TreatmentStop.objects.count() == 1
    assert Flag.objects.filter(kind="recheck").count() == 2


def test_a_press_is_never_refused_for_what_cannot_be_read(client, window):
    sent = {"stop_id": "nonsense", "started": "later"}
    assert client.post(reverse("treat-stop", args=["window", window.pk]), sent).status_code == 302
    assert TreatmentStop.objects.get().started_at is None


def test_the_page_says_what_to_do_now_with_the_local_protocol_first(client, stopped):
    said = text(client.get(reverse("stop", args=[stopped.pk])))
    assert said.index("The local protocol comes first.") < said.index("Stop the treatment")
    for words in ("Back to the resting position", "Oxygen back to the target range", "Call for help",
                  "No target range of SpO2 is set for this patient: ask.", "from memory"):  # fmt: skip
        assert words in said
    assert "due at 09:46" in said
    assert "due at 09:56" in said


def test_whom_to_call_follows_how_severe_the_sign_is():
    assert stop_rules.call_for("") is None
    assert "Emergency" in stop_rules.call_for("suspected_pneumothorax").who
    assert "doctor on call" in stop_rules.call_for("bronchospasm").who
    assert "nurse in charge" in stop_rules.call_for("swallowed_air").who


# The sign


def test_a_sign_that_bears_on_the_screening_holds_at_once(client, stopped, world):
    sent = client.post(reverse("stop-sign", args=[stopped.pk]), {"sign": "suspected_pneumothorax"})
    assert sent.status_code == 302
    found = selectors.guard(world.mosswater, "pep", NOW, purpose="begin")
    assert found.bar == "do_not_start"
    assert "Emergency team" in text(client.get(reverse("stop", args=[stopped.pk])))


def test_another_sign_may_be_named_and_the_first_stays_readable(client, stopped):
    for sign in ("nausea", "swallowed_air"):
        client.post(reverse("stop-sign", args=[stopped.pk]), {"sign": sign})
    stopped.refresh_from_db()
    assert (stopped.sign, stopped.version) == ("swallowed_air", 3)


def test_no_sign_is_asked_for_in_words(client, stopped):
    again = client.post(reverse("stop-sign", args=[stopped.pk]))
    assert again.status_code == 422
    assert "Choose what made you stop" in text(again)


# Who was told


def test_who_was_told_by_telephone_is_kept_and_shown(client, stopped, cast):
    page = client.get(reverse("stop", args=[stopped.pk]))
    sent = {name: value[0] for name, value in fields_of(page).items() if name.startswith(("told_id", "at"))}
    sent |= {"who": "Dr Burnet, on call", "how": "phone", "said": "Comes at once"}
    assert client.post(reverse("stop-told", args=[stopped.pk]), sent).status_code == 302
    assert Told.objects.get().subject_id == str(stopped.pk)
    assert "Dr Burnet, on call , by telephone, 25-Nov-2026 09:41: Comes at once." in text(
        client.get(reverse("stop", args=[stopped.pk]))
    )


# The checks


def check(stopped, by, minutes=5, **changed):
    given = {"values": {"spo2": 91, "pulse": 104}, "oxygen": OxygenGiven("air")} | changed
    return stops.check_again(stopped, by=by, minutes=minutes, checked=stops.Checked(**given))


def test_a_check_keeps_its_numbers_with_the_oxygen_and_closes_its_flag(client, stopped):
    sent = {
        "after5-now_spo2": "91", "after5-now_oxygen_device": "nasal_cannula", "after5-now_oxygen_flow": "2",
        "after5-now_pulse": "104", "after5-now_breaths": "24", "after5-now_borg": "3",
    }  # fmt: skip
    assert client.post(reverse("stop-recheck", args=[stopped.pk, 5]), sent).status_code == 302
    row = StopRecheck.objects.get()
    assert (row.spo2.value, row.spo2.oxygen_flow_ml_per_min, row.borg.value) == (91, 2000, 30)
    assert set(Measurement.objects.values_list("moment", "treatment_id")) == {("apart", None)}
    assert Flag.objects.get(key=stops.recheck_key(stopped, 5)).outcome == "done"
    assert Flag.objects.get(key=stops.recheck_key(stopped, 15)).state == "open"
    assert "SpO2 91 % (Nasal cannula, 2 L/min), pulse 104 /min, breaths 24 /min, Borg 3" in text(
        client.get(reverse("stop", args=[stopped.pk]))
    )


def test_spo2_without_its_oxygen_and_an_empty_check_are_refused(client, stopped):
    for sent, words in (
        ({"after5-now_spo2": "91"}, "Choose the oxygen"),
        ({}, "Enter what was measured"),
    ):
        again = client.post(reverse("stop-recheck", args=[stopped.pk, 5]), sent)
        assert again.status_code == 422
        assert words in text(again)
    assert (
        client.post(reverse("stop-recheck", args=[stopped.pk, 7]), {"after7-now_pulse": "80"}).status_code
        == 422
    )
    assert not StopRecheck.objects.exists()


def test_the_same_check_twice_is_one(stopped, cast):
    assert check(stopped, cast.therapist) == check(stopped, cast.therapist)
    assert Measurement.objects.count() == 2


def test_a_missing_check_rings_once_however_often_the_job_runs(stopped, cast, clock):
    check(stopped, cast.therapist, minutes=5)
    assert hold_services.tell_overdue(at=NOW + 15 * MINUTE) == 0
    assert hold_services.tell_overdue(at=NOW + 16 * MINUTE) == 1
    assert hold_services.tell_overdue(at=NOW + 20 * MINUTE) == 0
    notice = Notice.objects.filter(kind="overdue", to=cast.therapist).get()
    assert "check again after 15 min" in notice.words
    clock.move_to(NOW + 20 * MINUTE)
    check(stopped, cast.therapist, minutes=15)
    assert not Flag.objects.filter(kind="recheck", state="open").exists()


# Until it is released


def test_the_hold_ends_only_after_screening_again_or_a_decision(stopped, order, cast, clock):
    clock.move_to(NOW + 10 * MINUTE)
    with pytest.raises(Refused, match="screen again"):
        orders.resume(by=cast.lead, order=order, reason="better")
    screen_again(order.patient, cast.therapist, NOW + 10 * MINUTE)
    orders.resume(by=cast.lead, order=order, reason="screened again, better")
    assert not OrderHold.objects.filter(ended_at__isnull=True).exists()
    flag = Flag.objects.get(key__startswith="order-hold:")
    assert (flag.state, flag.outcome) == ("closed", "done")


def test_a_part_of_the_questions_releases_nothing(stopped, order, cast, clock):
    clock.move_to(NOW + 10 * MINUTE)
    screenings.record_screening(
        by=cast.therapist, patient=order.patient, answers={"epistaxis": "no"}, at=NOW + 10 * MINUTE,
        keep="all", whole=False,
    )  # fmt: skip
    with pytest.raises(Refused, match="screen again"):
        orders.resume(by=cast.lead, order=order, reason="better")


def test_a_hold_that_a_person_made_before_goes_on_under_the_terms_of_the_stop(order, cast, some_id):
    orders.hold(by=cast.therapist, order=order, reason="Belly pain", decides="Dr Burnet",
                decide_by=NOW + timedelta(hours=3))  # fmt: skip
    stops.stop(by=cast.therapist, patient=order.patient, order=order, stop_id=some_id, at=NOW + MINUTE)
    held = OrderHold.objects.get(order=order, ended_at__isnull=True)
    assert (held.wants_screening, held.decides) == (True, "Dr Burnet")
    assert "Belly pain" in held.reason
    assert Flag.objects.filter(key__startswith="order-hold:", state="open").count() == 1


def test_stopping_the_order_closes_what_waits_for_a_decision(stopped, order, cast):
    orders.stop(by=cast.therapist, order=order, reason="another technique")
    assert Flag.objects.get(key__startswith="order-hold:").outcome == "void"


# The record


def test_the_stop_becomes_the_record_and_nothing_is_typed_twice(client, window, cast, clock):
    clock.move_to(NOW)
    client.post(reverse("treat-stop", args=["window", window.pk]), {"started": "09:20"})
    stopped = TreatmentStop.objects.get()
    assert stopped.started_at == NOW - 21 * MINUTE
    client.post(
        reverse("stop-sign", args=[stopped.pk]),
        {"sign": "nausea", "sign_words": "pale", "action_taken": "Sat up"},
    )
    stops.tell(stopped, by=cast.therapist, who="Dr Burnet", how="phone", at=NOW, said="Comes",
               told_id=stopped.pk)  # fmt: skip
    page = client.get(reverse("stop", args=[stopped.pk]))
    address = f"{reverse('treat-record', args=['window', window.pk])}?stop={stopped.pk}"
    assert address in page.content.decode()
    given = fields_of(client.get(address))
    said = {name: given[name] for name in ("started", "ended", "stopped", "event0_kind", "event0_action",
                                           "event0_told", "stopped_words")}  # fmt: skip
    assert said == {
        "started": ["09:20"], "ended": ["09:41"], "stopped": ["adverse_event"], "event0_kind": ["nausea"],
        "event0_action": ["Sat up"], "event0_told": ["Dr Burnet"], "stopped_words": ["pale"],
    }  # fmt: skip
    kept = {name: value for name, value in FILLED.items() if name not in ("started", "ended")}
    sent = {**given, **kept, "done_sets": "2"}
    assert client.post(address, sent | {"step": "check"}).status_code == 200
    assert client.post(address, sent | {"step": "record"}).status_code == 302
    treatment = TreatmentSession.objects.get()
    assert (treatment.pk, treatment.delivered, treatment.reason) == (stopped.pk, "part", "adverse_event")
    assert (treatment.reason_group, treatment.ended_at) == ("clinical", NOW)
    assert AdverseEvent.objects.get().kind == "nausea"
    assert Screening.objects.filter(patient=treatment.patient).count() == 2, "the sign is answered once"
    assert not Flag.objects.filter(words__startswith="Found at the bedside").exists()
    shown = text(client.get(reverse("treatment", args=[treatment.pk])))
    assert "The stop, who was told, and the checks after it" in shown
    assert "The treatment is recorded: in part" in text(client.get(reverse("stop", args=[stopped.pk])))


def test_where_nothing_was_given_the_stop_becomes_that_record(client, window):
    client.post(reverse("treat-stop", args=["window", window.pk]))
    stopped = TreatmentStop.objects.get()
    address = f"{reverse('treat-not-given', args=['window', window.pk])}?stop={stopped.pk}"
    given = fields_of(client.get(address))
    client.post(address, {"record_id": given["record_id"], "reason": "unwell"})
    assert TreatmentSession.objects.get().pk == stopped.pk


def test_the_stop_of_another_treatment_is_not_taken(client, stopped, world, cast):
    other = make_window(make_order(world.pebblebrook, cast.therapist))
    page = client.get(f"{reverse('treat-record', args=['window', other.pk])}?stop={stopped.pk}")
    assert fields_of(page)["record_id"] != [str(stopped.pk)]


def test_the_stop_page_costs_the_same_queries_with_many_who_were_told(
    client, stopped, cast, django_assert_max_num_queries
):
    check(stopped, cast.therapist)
    address = reverse("stop", args=[stopped.pk])
    with django_assert_max_num_queries(40) as one:
        client.get(address)
    for _ in range(3):
        stops.tell(
            stopped, by=cast.therapist, who="Dr Burnet", how="phone", at=NOW, said="Comes", told_id=None
        )
    with django_assert_max_num_queries(len(one.captured_queries)):
        client.get(address)


# Another order is no way round a stop


def test_another_order_of_the_technique_does_not_start_before_the_patient_was_screened_again(
    stopped, cast, world, clock
):
    clock.shift(MINUTE)
    orders.stop(by=cast.lead, order=stopped.order, reason="another dose")
    draft = orders.prescribe(
        by=cast.lead, patient=world.mosswater, prescription=prescription("oscillating_pep")
    )
    with pytest.raises(Refused, match="A treatment was stopped"):
        orders.activate(by=cast.lead, order=draft)
    clock.shift(MINUTE)
    screen_again(world.mosswater, cast.lead, timezone.now())
    assert orders.activate(by=cast.lead, order=draft).draft is False


def test_a_stop_under_an_order_that_was_changed_meanwhile_rests_the_one_in_its_place(
    order, cast, some_id, world, clock
):
    clock.shift(MINUTE)
    new = orders.change(
        by=cast.lead,
        order=order,
        prescription=prescription("oscillating_pep", times_a_day=2),
        reason="less often",
    )
    clock.shift(MINUTE)
    order.refresh_from_db()
    stops.stop(by=cast.therapist, patient=world.mosswater, order=order, stop_id=some_id, at=timezone.now())
    held = OrderHold.objects.get(ended_at__isnull=True)
    assert (held.order, held.wants_screening) == (new, True)
    said = stop_page.about(TreatmentStop.objects.get(), timezone.now())
    assert said["hold"] == held


def test_a_stop_under_an_order_that_has_ended_keeps_the_next_one_waiting(order, cast, some_id, world, clock):
    clock.shift(MINUTE)
    orders.stop(by=cast.lead, order=order, reason="another dose")
    clock.shift(MINUTE)
    order.refresh_from_db()
    stops.stop(by=cast.therapist, patient=world.mosswater, order=order, stop_id=some_id, at=timezone.now())
    assert not OrderHold.objects.filter(ended_at__isnull=True).exists()
    assert not list(holds_after_a_stop_are_flagged())
    clock.shift(MINUTE)
    draft = orders.prescribe(
        by=cast.lead, patient=world.mosswater, prescription=prescription("oscillating_pep")
    )
    with pytest.raises(Refused, match="A treatment was stopped"):
        orders.activate(by=cast.lead, order=draft)


def test_a_stop_under_an_ended_order_rests_another_one_that_was_started(order, cast, some_id, world, clock):
    clock.shift(MINUTE)
    orders.stop(by=cast.lead, order=order, reason="another dose")
    draft = orders.prescribe(
        by=cast.lead, patient=world.mosswater, prescription=prescription("oscillating_pep")
    )
    new = orders.activate(by=cast.lead, order=draft)
    clock.shift(MINUTE)
    order.refresh_from_db()
    stops.stop(by=cast.therapist, patient=world.mosswater, order=order, stop_id=some_id, at=timezone.now())
    assert OrderHold.objects.get(ended_at__isnull=True).order == new


# Recorded another way than from the stop page


def test_the_record_page_leads_to_a_stop_that_is_not_recorded_yet(client, window, stopped):
    page = client.get(reverse("treat-record", args=["window", window.pk]))
    assert "A stop is not recorded yet" in text(page)
    assert reverse("stop", args=[stopped.pk]) in page.content.decode()


def test_a_treatment_recorded_under_another_id_is_the_one_that_was_stopped(client, window, stopped, cast):
    sessions.record(
        by=cast.therapist,
        payload=payload(
            stopped.patient_id, cast.therapist.pk, order=str(stopped.order_id),
            started_at=(NOW - 20 * MINUTE).isoformat(), ended_at=(NOW - MINUTE).isoformat(),
        ),
        source="tablet",
    )  # fmt: skip
    assert "The treatment is recorded" in text(client.get(reverse("stop", args=[stopped.pk])))
    again = client.get(reverse("treat-record", args=["window", window.pk]))
    assert "A stop is not recorded yet" not in text(again)


def test_a_treatment_of_later_that_day_is_not_the_one_that_was_stopped(client, window, stopped, cast, clock):
    clock.shift(60 * MINUTE)
    sessions.record(
        by=cast.therapist,
        payload=payload(
            stopped.patient_id, cast.therapist.pk, order=str(stopped.order_id),
            started_at=(NOW + 30 * MINUTE).isoformat(), ended_at=(NOW + 50 * MINUTE).isoformat(),
        ),
    )  # fmt: skip
    assert "The treatment is recorded" not in text(client.get(reverse("stop", args=[stopped.pk])))
