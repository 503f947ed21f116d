"""The bedside pages as a therapist walks through them, and the API of treatments."""

import html
import json
import re
from datetime import timedelta

import pytest
from django.urls import reverse

from clinic import records
from clinic.limits import services as limits
from clinic.models import AuditEvent, Flag, SpO2Target
from clinic.patients import services as patients
from tests.conftest import NOW
from tests.therapy.sessions.samples import AIR, START, make_order, make_window, measured, payload
from therapy.orders.doses import starting_dose
from therapy.orders.models import OrderHold
from therapy.sessions import services
from therapy.sessions.models import AdverseEvent, IndependentSets, TreatmentSession

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


@pytest.fixture
def order(world, cast, screened):
    screened(world.mosswater, at=START - timedelta(minutes=5))
    SpO2Target.objects.create(
        patient=world.mosswater, low_percent=88, high_percent=92, stop_below_percent=86, by=cast.lead,
        started_at=START - timedelta(days=2),
    )  # fmt: skip
    return make_order(world.mosswater, cast.therapist)


@pytest.fixture
def window(order):
    return make_window(order)


@pytest.fixture
def client(sign_in, cast):
    return sign_in(cast.therapist)


def text(response):
    words = re.sub(r"<[^>]+>", " ", response.content.decode())
    return " ".join(html.unescape(words).split())


def fields_of(response):
    """What a form sends as it stands on the page: hidden values, typed values, what is chosen."""
    page = response.content.decode()
    body = page[page.index('<main id="main"') :]
    sent = {}
    for tag in re.findall(r"<input[^>]*>", body):
        at = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        if "name" not in at or at["name"] in {"csrfmiddlewaretoken", "next"}:
            continue
        if at.get("type") in {"radio", "checkbox"} and " checked" not in tag:
            continue
        sent.setdefault(at["name"], []).append(
            html.unescape(at.get("value", "on" if at.get("type") == "checkbox" else ""))
        )
    for name, options in re.findall(r'<select name="(\w+)".*?>(.*?)</select>', body, re.DOTALL):
        chosen = re.findall(r'<option value="([^"]*)" selected', options)
        sent[name] = chosen or [""]
    for name, typed in re.findall(r'<textarea name="(\w+)"[^>]*>(.*?)</textarea>', body, re.DOTALL):
        sent[name] = [html.unescape(typed).strip()]
    return sent


def address(name, window):
    return reverse(name, args=["window", window.pk])


FILLED = {
    "started": "09:05", "ended": "09:25", "before_spo2": "90", "before_pulse": "96", "before_breaths": "22",
    "before_borg": "3", "after_spo2": "87", "after_borg": "4", "before_oxygen_device": "nasal_cannula",
    "before_oxygen_flow": "2", "same_oxygen": "on", "done_sets": "3", "done_exhalation": "3_to_4_s",
    "sputum": "measured", "sputum_amount": "6", "sputum_unit": "ml", "sputum_method": "pot", "sputum_colour": "2",
    "blood": "none", "tolerance": "tired",
}  # fmt: skip


def to_confirm(client, window, **changes):
    page = client.get(address("treat-record", window))
    sent = {**fields_of(page), **FILLED, **changes, "step": "check"}
    return client.post(address("treat-record", window), sent)


def test_a_treatment_is_begun_filled_in_confirmed_and_recorded_once(client, window, world):
    page = client.get(reverse("treat-window", args=[window.pk]))
    assert "Start now with MOSSWATER, Bryn" in text(page)
    assert "Target SpO2 88 to 92 %." in text(page)
    assert "Stop: SpO2 below 86 %." in text(page)
    assert "Warning limits for adults, from 16 years: pulse below 40 or above 130 /min" in text(page)
    assert client.post(address("treat-begin", window)).url == address("treat-record", window)
    confirm = to_confirm(client, window)
    assert confirm.status_code == 200
    said = text(confirm)
    for words in ("MOSSWATER, Bryn", "14-Mar-1958 (68 y)", "204 118 553", "Acute ward, room 12"):
        assert words in said
    assert "Record for MOSSWATER, Bryn" in said
    assert "6.0 mL in a pot, 2 Mucopurulent" in said
    assert not TreatmentSession.objects.exists()
    sent = {**fields_of(confirm), "step": "record"}
    first = client.post(address("treat-record", window), sent, follow=True)
    assert "Recorded at 09:41." in text(first)
    again = client.post(address("treat-record", window), sent, follow=True)
    assert "Already recorded at 09:41." in text(again)
    treatment = TreatmentSession.objects.get()
    assert (treatment.window, treatment.delivered, treatment.sputum_volume_tenths_ml) == (window, "full", 60)
    assert treatment.done_details["resistance_setting"] == 2
    window.refresh_from_db()
    assert window.state == "full"


def test_what_the_numbers_say_stands_beside_them_and_comes_from_the_rules(client, window):
    said = text(to_confirm(client, window))
    assert "Look: SpO2 after is 87 %, below the target range of 88 to 92 %." in said
    assert "Look: SpO2 fell 3 points at the same oxygen." in said
    live = client.post(address("treat-findings", window), {"before_spo2": "90", "after_spo2": "85"})
    assert "Stop: SpO2 after is 85 %, below the limit of 86 %." in text(live)
    # Without oxygen nothing is said of a fall: unknown oxygen is never the same.
    assert "fell" not in text(live)
    other = {
        "before_spo2": "91", "after_spo2": "88", "before_oxygen_device": "air", "same_oxygen": "on",
    }  # fmt: skip
    assert "fell 3 points" in text(client.post(address("treat-findings", window), other))


def test_going_back_from_the_confirm_page_keeps_everything_that_was_filled_in(client, window):
    confirm = to_confirm(client, window, notes="sat well")
    back = client.post(address("treat-record", window), {**fields_of(confirm), "step": "change"})
    assert back.status_code == 200
    kept = fields_of(back)
    assert (kept["before_spo2"], kept["notes"], kept["sputum_colour"]) == (["90"], ["sat well"], ["2"])
    assert kept["record_id"] == fields_of(confirm)["record_id"]


def test_an_invalid_page_comes_back_filled_in_with_what_is_wrong(client, window):
    wrong = to_confirm(
        client, window, before_spo2="120", before_borg="2.5", done_sets="2", before_oxygen_device=""
    )
    assert wrong.status_code == 422
    assert "<title>Error: Record: Oscillating PEP" in wrong.content.decode()
    said = text(wrong)
    for words in (
        "There is a problem",
        "SpO2 before must be between 50 and 100 %",
        "Borg before must be 0, 0.5, or a whole number from 1 to 10",
        "2 of 3 sets: choose why it was stopped early",
        "Choose the oxygen: SpO2 cannot be read without it",
    ):
        assert words in said, words
    assert fields_of(wrong)["before_spo2"] == ["120"]
    assert not TreatmentSession.objects.exists()


def test_an_unusual_value_is_asked_about_once_and_the_reason_is_kept(client, window):
    asked = to_confirm(client, window, before_pulse="36")
    assert asked.status_code == 422
    assert "36 is unusual" in text(asked)
    sent = {**fields_of(asked), "before_pulse_asked": "36", "before_pulse_why": "athlete"}
    confirm = client.post(address("treat-record", window), {**sent, "step": "check"})
    assert confirm.status_code == 200, text(confirm)
    done = client.post(address("treat-record", window), {**fields_of(confirm), "step": "record"}, follow=True)
    assert "pulse before: athlete" in text(done)


def test_stopped_early_is_a_part_with_its_reason(client, window):
    confirm = to_confirm(client, window, done_sets="2", stopped="too_tired")
    assert "Given in part" in text(confirm)
    client.post(address("treat-record", window), {**fields_of(confirm), "step": "record"})
    window.refresh_from_db()
    assert (window.state, window.reason_group) == ("part", "patient")


def test_an_adverse_event_is_recorded_with_what_was_done_and_who_was_told(client, window):
    half = to_confirm(client, window, event0_kind="nausea")
    assert "Enter what was done" in text(half)
    told = {"event0_kind": "nausea", "event0_action": "stopped", "event0_told": "Dr Larkspur"}
    confirm = to_confirm(client, window, **told)
    client.post(address("treat-record", window), {**fields_of(confirm), "step": "record"})
    assert AdverseEvent.objects.get().told == "Dr Larkspur"


def test_not_given_today_takes_two_taps(client, window):
    reasons = client.get(address("treat-not-given", window))
    assert "for MOSSWATER, Bryn, born 14-Mar-1958 (68 y), No. 204 118 553" in text(reasons)
    sent = {**fields_of(reasons), "reason": "imaging"}
    done = client.post(address("treat-not-given", window), sent, follow=True)
    assert "At imaging" in text(done)
    again = client.post(address("treat-not-given", window), sent, follow=True)
    assert TreatmentSession.objects.count() == 1
    assert again.status_code == 200
    window.refresh_from_db()
    assert (window.state, window.reason_group) == ("not_delivered", "away")


def test_on_hold_the_page_says_why_and_offers_to_record_what_happened_anyway(
    client, window, order, cast, screened
):
    screened(order.patient, at=NOW - timedelta(minutes=1), pneumothorax_suspected_or_tension="yes")
    OrderHold.objects.create(
        order=order, reason="await chest film", by=cast.lead, decides="Dr Larkspur", decide_by=NOW,
        started_at=START,
    )  # fmt: skip
    said = text(client.get(reverse("treat-window", args=[window.pk])))
    assert "Stop: On hold" in said
    assert "Pneumothorax suspected now" in said
    assert "await chest film" in said
    assert "Decides: Dr Larkspur" in said
    assert "Start now" not in said
    refused = client.post(address("treat-begin", window))
    assert refused.status_code == 422
    confirm = to_confirm(client, window)
    assert "marked as given outside the rules" in text(confirm)
    client.post(address("treat-record", window), {**fields_of(confirm), "step": "record"})
    assert TreatmentSession.objects.get().outside_rules
    assert Flag.objects.filter(kind="outside_rules").exists()


def test_answers_of_this_morning_are_asked_again_first_and_the_bedside_comes_back(
    client, window, order, clock
):
    clock.shift(timedelta(hours=6))
    bedside = reverse("treat-window", args=[window.pk])
    page = client.get(bedside)
    assert "Look: Check at the bedside first" in text(page)
    assert "Stop: On hold" not in text(page)
    check = re.search(r'href="([^"]*/check/[^"]*)"', page.content.decode())[1]
    assert client.post(check, {**fields_of(client.get(check)), "none": "checked"}).url == bedside
    assert "Start now" in text(client.get(bedside))


def test_borg_is_not_asked_under_eight_years(sign_in, cast, world, screened):
    young = world.thistledown
    order = make_order(young, cast.colleague)
    page = sign_in(cast.colleague).get(reverse("treat-record", args=["order", order.pk]))
    assert "before_borg" in page.content.decode()
    records.amend(
        young.identity, by=cast.lead, reason="test", changes={"birth_date": START.date().replace(year=2019)},
        expect_version=1,
    )  # fmt: skip
    page = sign_in(cast.colleague).get(reverse("treat-record", args=["order", order.pk]))
    assert "before_borg" not in page.content.decode()


def test_what_is_usual_for_an_adult_is_never_held_against_a_child(sign_in, cast, world, screened):
    # 11 years: a pulse of 170 and 45 breaths are asked about in an adult; here there is no number for the age.
    order = make_order(world.thistledown, cast.colleague)
    client, at = sign_in(cast.colleague), reverse("treat-record", args=["order", order.pk])
    numbers = {"before_pulse": "170", "before_breaths": "45", "before_spo2": ""}
    page = client.get(at)
    assert "No warning limits are set for children of 8 to 11 years" in text(page)
    confirm = client.post(at, {**fields_of(page), **FILLED, **numbers, "after_spo2": "", "step": "check"})
    assert confirm.status_code == 200
    assert "unusual" not in text(confirm)
    assert "Look:" not in text(confirm)


def test_a_stop_limit_of_the_patient_stands_at_the_bedside_and_stops_in_words(client, window, world, cast):
    limits.set_stop_limits(
        world.mosswater, by=cast.therapist, limits={"pulse_above": 110}, reason="Ward round"
    )
    assert "pulse above 110 /min" in text(client.get(address("treat-record", window)))
    live = client.post(address("treat-findings", window), {"after_pulse": "111"})
    assert "Stop: Pulse after is 111 /min, above 110 /min, the limit set for this patient." in text(live)
    assert "Stop:" not in text(client.post(address("treat-findings", window), {"after_pulse": "110"}))


@pytest.mark.parametrize(
    ("technique", "amounts"),
    [
        ("mi_e", {"sets": 4, "breaths_per_set": 4}),
        ("hfcwo", {"minutes": 20}),
        ("drainage", {"positions": 2, "minutes": 10}),
        ("breathing_techniques", {"cycles": 3, "minutes": 10}),
        ("percussion_vibration", {"minutes": 10}),
        ("incentive_spirometry", {"breaths_per_set": 10}),
        ("directed_cough", {"sets": 3}),
        ("assisted_cough", {"sets": 3}),
        ("pep", {"sets": 3, "breaths_per_set": 10}),
        ("head_down_drainage", {"positions": 2, "minutes": 10}),
    ],
)
def test_each_technique_is_recorded_with_its_own_dose(client, world, cast, technique, amounts):
    nothing = {"sets": None, "breaths_per_set": None}
    order = make_order(
        world.mosswater,
        cast.therapist,
        technique=technique,
        dose=starting_dose(technique),
        **{**nothing, **amounts},
    )
    record = reverse("treat-record", args=["order", order.pk])
    sent = {**fields_of(client.get(record)), "started": "09:05", "ended": "09:25"}
    sent |= {f"done_{unit}": str(amount) for unit, amount in amounts.items()}
    confirm = client.post(record, {**sent, "step": "check"})
    assert confirm.status_code == 200, text(confirm)
    client.post(record, {**fields_of(confirm), "step": "record"})
    treatment = TreatmentSession.objects.get()
    assert treatment.delivered == "full"
    assert {unit: getattr(treatment, f"{unit}_done") for unit in amounts} == amounts


# One treatment


@pytest.fixture
def treatment(order, window, cast):
    sent = payload(order.patient_id, cast.therapist.pk, order=str(order.pk))
    return services.record(by=cast.therapist, payload=sent).treatment


def test_a_treatment_is_corrected_with_a_reason_and_both_versions_stay(client, treatment):
    amend = reverse("treatment-amend", args=[treatment.pk])
    sent = {**fields_of(client.get(amend)), "sputum_amount": "8"}
    without_reason = client.post(amend, {**sent, "amend_reason": ""})
    assert without_reason.status_code == 422
    assert "Enter why it is corrected" in text(without_reason)
    page = client.post(amend, {**sent, "amend_reason": "misread the pot"}, follow=True)
    said = text(page)
    assert "Sputum 8.0 mL in a pot" in said
    assert "misread the pot" in said
    assert "Sputum volume tenths ml 60 80" in said
    treatment.refresh_from_db()
    assert (treatment.version, treatment.started_at) == (2, START)
    stale = client.post(
        amend, {**sent, "sputum_amount": "9.5", "tolerance": "tired", "amend_reason": "again"}
    )
    assert stale.status_code == 422
    assert "changed by somebody else since you opened it" in text(stale)
    # Both versions: what is stored now, and what was typed, where they differ.
    said = text(stale)
    both = said[said.index("What differs") : said.index("Open it as it is now")]
    assert "Amount 8 9.5" in both
    assert "Tired" in both
    assert "Pulse" not in both


def test_nothing_is_changed_by_saving_the_correction_page_as_it_stands(client, treatment):
    amend = reverse("treatment-amend", args=[treatment.pk])
    client.post(amend, {**fields_of(client.get(amend)), "amend_reason": "none"})
    treatment.refresh_from_db()
    assert treatment.version == 1


def test_a_treatment_is_struck_after_the_identity_was_shown(client, treatment):
    strike = reverse("treatment-strike", args=[treatment.pk])
    page = client.get(strike)
    assert "Strike for MOSSWATER, Bryn" in text(page)
    assert client.post(strike, {**fields_of(page), "reason": ""}).status_code == 422
    done = client.post(strike, {**fields_of(page), "reason": "wrong bed"}, follow=True)
    assert "Entered in error" in text(done)
    treatment.refresh_from_db()
    assert treatment.entered_in_error


def test_a_stored_treatment_is_judged_by_the_target_of_its_own_time(client, order, cast, clock):
    def recorded(started_at):
        readings = [measured("spo2_percent", "before", 89, AIR), measured("spo2_percent", "after", 87, AIR)]
        sent = payload(
            order.patient_id, cast.therapist.pk, order=str(order.pk), measurements=readings,
            started_at=started_at.isoformat(), ended_at=None,
        )  # fmt: skip
        return reverse("treatment", args=[services.record(by=cast.therapist, payload=sent).treatment.pk])

    earlier, unknown = recorded(START), recorded(START - timedelta(days=3))
    assert "SpO2 after is 87 %, below the target range of 88 to 92 %" in text(client.get(earlier))
    patients.set_spo2_target(order.patient, by=cast.lead, low_percent=94, high_percent=98, reason="recovered")
    assert "SpO2 after is 87 %, below the target range of 88 to 92 %" in text(client.get(earlier))
    # No target was set yet then: nothing is said of one that came later.
    assert "below the target range" not in text(client.get(unknown))
    clock.shift(timedelta(hours=2))
    later = recorded(NOW + timedelta(hours=1))
    assert "SpO2 after is 87 %, below the target range of 94 to 98 %" in text(client.get(later))


def test_reading_is_audited_and_another_therapist_does_not_find_it(client, treatment, sign_in, cast, window):
    client.get(reverse("treatment", args=[treatment.pk]))
    assert AuditEvent.objects.filter(action="treatment read", patient_id=treatment.patient_id).exists()
    for name, args in (
        ("treatment", [treatment.pk]),
        ("treatment-amend", [treatment.pk]),
        ("treatment-strike", [treatment.pk]),
        ("treatments", [treatment.patient_id]),
        ("independent-sets", [treatment.patient_id]),
        ("treat-window", [window.pk]),
        ("treat-record", ["window", window.pk]),
        ("treat-not-given", ["window", window.pk]),
    ):
        assert sign_in(cast.outsider).get(reverse(name, args=args)).status_code == 404, name
        assert sign_in(cast.manager).get(reverse(name, args=args)).status_code == 403, name


def test_the_list_of_treatments_asks_the_database_as_often_for_many_as_for_one(
    client, treatment, order, cast, django_assert_max_num_queries
):
    def ask():
        with django_assert_max_num_queries(30) as counted:
            assert client.get(reverse("treatments", args=[order.patient_id])).status_code == 200
        return len(counted)

    one = ask()
    for minutes in range(1, 6):
        at = (START - timedelta(hours=minutes)).isoformat()
        sent = payload(order.patient_id, cast.therapist.pk, order=str(order.pk), started_at=at, ended_at=None)
        services.record(by=cast.therapist, payload=sent)
    assert ask() == one


# Independent sets


def test_the_diary_takes_a_day_once_and_keeps_it_apart(client, world, cast):
    page = reverse("independent-sets", args=[world.mosswater.pk])
    sent = {**fields_of(client.get(page)), "sets_done": "4", "reported_by": "patient"}
    assert "Independent sets recorded" in text(client.post(page, sent, follow=True))
    again = client.post(page, sent)
    assert again.status_code == 422
    assert "This day has an entry already" in text(again)
    assert IndependentSets.objects.get().sets_done == 4
    assert not TreatmentSession.objects.exists()


# The API


def send(client, sent):
    return client.post(reverse("api-treatments"), json.dumps(sent), content_type="application/json")


def test_the_api_answers_201_then_200_and_422_with_every_problem(client, order, cast):
    sent = payload(order.patient_id, cast.therapist.pk, order=str(order.pk))
    first = send(client, sent)
    assert (first.status_code, first.json()["outcome"]) == (201, "recorded")
    again = send(client, sent)
    assert (again.status_code, again.json()["words"]) == (200, "Already recorded at 09:41.")
    other = send(client, {**sent, "notes": "x"})
    assert (other.status_code, other.json()["outcome"]) == (200, "kept_beside")
    wrong = send(client, {**sent, "technique": "singing", "colour": 1})
    assert wrong.status_code == 422
    assert {each["field"] for each in wrong.json()["errors"]} == {"/technique", "/colour"}
    assert send(client, [1]).status_code == 422
    assert client.post(reverse("api-treatments"), "{", content_type="application/json").status_code == 400


def test_the_api_wants_a_sign_in_the_role_and_the_patient(client, order, cast, sign_in):
    from django.test import Client

    sent = payload(order.patient_id, cast.therapist.pk, order=str(order.pk))
    assert send(Client(), sent).status_code == 401
    assert send(sign_in(cast.manager), sent).status_code == 403
    assert send(sign_in(cast.outsider), sent).status_code == 404
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(cast.therapist)
    assert send(strict, sent).status_code == 403
