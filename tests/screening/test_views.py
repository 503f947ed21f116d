"""The screening pages as a person meets them."""

import datetime as dt
import re

import pytest
import time_machine
from django.urls import reverse

from clinic.audit.models import AuditEvent
from clinic.ids import new_id
from screening import ordered, services, table
from screening.models import Decision, Screening
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
TABLE = table.current()
ALL_NO = {key: "no" for key, row in TABLE.conditions.items() if "age_years" not in row.numbers}
EVERY_GROUP = {f"none_{group}": "on" for group in TABLE.groups}


@pytest.fixture
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def orders():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("oscillating_pep",)))
    yield
    ordered.told_by(before)


def screen(world, cast, at=NOW, **changed):
    return services.record_screening(
        by=cast.therapist, patient=world.mosswater, answers=ALL_NO | changed, at=at
    )


def at(name, patient, **more):
    return reverse(name, kwargs={"patient_id": patient.pk, **more})


def send(client, world, **data):
    """Fill in the form as it stands on the page, with `data` on top."""
    page = client.get(at("screening-new", world.mosswater)).content.decode()
    hidden = dict(
        re.findall(r'<input type="hidden" name="(based_on|screening_id)"(?: value="([^"]*)")?', page)
    )
    checked = dict(re.findall(r'<input type="radio" name="(\w+)" value="(\w+)"[^>]* checked', page))
    return client.post(at("screening-new", world.mosswater), hidden | checked | data)


# The result


def test_without_a_screening_the_page_says_so_and_offers_the_first(world, cast, sign_in):
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    assert "No screening has been recorded" in page
    assert at("screening-new", world.mosswater) in page
    assert "Local protocols and the licensed clinician come first" in page


def test_the_result_shows_each_technique_in_words_with_reason_and_source(world, cast, sign_in, clock, orders):
    screen(world, cast, epistaxis="yes", ear_drum_or_middle_ear="unknown", icp_above_20="yes")
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    for words in ("Incomplete", "Clinician must decide", "Contraindicated: do not start"):
        assert words in page
    first = page.index('<th scope="row">')
    assert page[first:].startswith('<th scope="row">Oscillating PEP<br>'), (
        "the ordered technique stands first"
    )
    assert "1 answer settles Oscillating PEP, which is ordered" in page
    assert "Ear-drum rupture or middle-ear disease: unknown" in page
    assert "judgement, needs local sign-off" in page
    assert "AARC 1993 (PAP)" in page


def test_no_contraindication_found_is_never_worded_as_safe(world, cast, sign_in, clock):
    screen(world, cast)
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    assert page.count("No contraindication found") == 11
    assert not re.search(r"\bsafe\b", page)
    assert "That does not mean without risk" in page


def test_both_sides_of_a_conflict_are_shown(world, cast, sign_in, clock):
    screen(world, cast, pneumothorax_untreated="yes")
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    assert "the AARC list says evaluate carefully and bars nothing; cystic fibrosis pages withhold" in page


def test_an_earlier_screening_reads_as_it_was(world, cast, sign_in, clock):
    old = screen(world, cast, epistaxis="yes")
    clock.shift(HOUR)
    screen(world, cast, at=NOW + HOUR)
    client = sign_in(cast.therapist)
    assert (
        at("screening-earlier", world.mosswater, screening_id=old.pk)
        in client.get(at("screening", world.mosswater)).content.decode()
    )
    page = client.get(at("screening-earlier", world.mosswater, screening_id=old.pk)).content.decode()
    assert "Not the screening that counts now" in page
    assert "Epistaxis" in page
    assert "Document a decision" not in page
    other = client.get(at("screening-earlier", world.pebblebrook, screening_id=old.pk))
    assert other.status_code == 404, "the screening of another patient"


def test_reading_a_screening_is_audited(world, cast, sign_in):
    sign_in(cast.therapist).get(at("screening", world.mosswater))
    event = AuditEvent.objects.get(action="screening read")
    assert (event.actor_id, event.patient_id) == (cast.therapist.pk, world.mosswater.pk)


@pytest.mark.usefixtures("orders")
def test_the_result_costs_the_same_queries_with_much_as_with_little(
    world, cast, sign_in, clock, django_assert_max_num_queries
):
    client = sign_in(cast.lead)
    screen(world, cast)
    with django_assert_max_num_queries(24):
        client.get(at("screening", world.mosswater))
    for hours in range(1, 6):
        clock.shift(HOUR)
        screen(world, cast, at=NOW + hours * HOUR, rib_fracture="yes", epistaxis="unknown")
    with django_assert_max_num_queries(24):
        client.get(at("screening", world.mosswater))


# The form


def test_a_first_screening_takes_one_tick_per_group(world, cast, sign_in, clock):
    response = send(sign_in(cast.therapist), world, **EVERY_GROUP)
    assert response.status_code == 302
    row = Screening.objects.get()
    assert row.answers.filter(by_group=True).count() == 78
    assert set(row.results.values_list("result", flat=True)) == {"none_found"}


def test_the_groups_tick_leaves_what_was_marked_and_what_a_number_answers(world, cast, sign_in, clock):
    send(
        sign_in(cast.therapist),
        world,
        **EVERY_GROUP,
        epistaxis="yes",
        haemoptysis_24h_ml="8",
        platelets_10e9_per_l_word="not_measured",
    )
    row = Screening.objects.get()
    assert row.answers.get(condition="epistaxis").kind == "yes"
    assert row.answers.get(condition="haemoptysis_24h_ml").value == 8000
    assert not row.answers.filter(condition="haemoptysis_5_to_240").exists()
    assert row.results.get(technique="mi_e").result == "do_not_start"
    assert row.results.get(technique="percussion_vibration").result == "do_not_start"
    assert row.results.get(technique="drainage").result == "incomplete"


def test_an_open_group_stays_open(world, cast, sign_in, clock):
    ticks = EVERY_GROUP.copy()
    del ticks["none_belly"]
    send(sign_in(cast.therapist), world, **ticks)
    row = Screening.objects.get()
    assert not row.answers.filter(condition="nausea_severe").exists()
    assert row.results.get(technique="pep").result == "incomplete"


def test_a_returning_patient_keeps_what_still_stands_and_is_asked_the_rest(world, cast, sign_in, clock):
    screen(world, cast, osteoporosis="yes", facial_fracture="yes")
    clock.shift(26 * HOUR)
    client = sign_in(cast.therapist)
    page = client.get(at("screening-new", world.mosswater)).content.decode()
    assert "Answered 25-Nov-2026 09:41, 26 h ago" in page
    assert "Last answer yes, asked 26 h ago, ask again" in page
    refused = send(client, world, **EVERY_GROUP)
    assert refused.status_code == 422, "what was found before is not denied by a group's tick"
    assert "it was so last time" in refused.content.decode()
    send(client, world, **EVERY_GROUP, facial_fracture="no")
    row = Screening.objects.get(ended_at__isnull=True)
    kept = row.answers.get(condition="osteoporosis")
    assert (kept.kind, kept.answered_at) == ("yes", NOW)
    asked = row.answers.get(condition="facial_fracture")
    assert (asked.kind, asked.answered_at) == ("no", NOW + 26 * HOUR)


def test_an_earlier_answer_that_is_changed_takes_the_new_time(world, cast, sign_in, clock):
    screen(world, cast, osteoporosis="yes")
    clock.shift(HOUR)
    send(sign_in(cast.therapist), world, **EVERY_GROUP, osteoporosis="no")
    changed = Screening.objects.get(ended_at__isnull=True).answers.get(condition="osteoporosis")
    assert (changed.kind, changed.answered_at) == ("no", NOW + HOUR)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"icp_mmhg": "abc"}, "Intracranial pressure must be a number"),
        ({"icp_mmhg": "900"}, "Intracranial pressure must be between -10 and 150 mmHg"),
        ({"icp_mmhg": "12", "icp_mmhg_word": "unknown"}, "not both"),
        ({"icp_mmhg": "80"}, "80 is unusual"),
        ({"icp_mmhg": "25", "icp_above_20": "no"}, "intracranial pressure says yes"),
        (
            {"icp_mmhg_word": "no_reason_to_measure", "head_or_neck_injury_unstable": "yes"},
            "There is a reason to measure",
        ),
    ],
)
@pytest.mark.usefixtures("clock")
def test_a_wrong_answer_shows_the_filled_form_again(world, cast, sign_in, data, words):
    response = send(sign_in(cast.therapist), world, **EVERY_GROUP, **data)
    page = response.content.decode()
    assert response.status_code == 422
    assert words in page
    assert "<title>Error: " in page
    assert re.search(r'name="none_lungs"[^>]* checked', page), "what was ticked stays ticked"
    assert not Screening.objects.exists()


def test_a_value_outside_the_usual_range_is_asked_about_once_and_the_reason_kept(world, cast, sign_in, clock):
    send(
        sign_in(cast.therapist),
        world,
        **EVERY_GROUP,
        icp_mmhg="80",
        icp_mmhg_asked="80",
        icp_mmhg_why="Read twice, neurosurgeon called",
    )
    answer = Screening.objects.get().answers.get(condition="icp_mmhg")
    assert (answer.value, answer.unusual_reason) == (80000, "Read twice, neurosurgeon called")


def test_sending_the_form_twice_makes_one_screening(world, cast, sign_in, clock):
    client = sign_in(cast.therapist)
    data = EVERY_GROUP | {"screening_id": str(new_id()), "based_on": ""}
    client.post(at("screening-new", world.mosswater), data)
    clock.shift(HOUR)
    again = client.post(at("screening-new", world.mosswater), data, follow=True)
    assert Screening.objects.count() == 1
    assert "Already recorded at 09:41" in again.content.decode()


def test_recording_over_a_screening_that_was_not_seen_is_refused_on_the_form(world, cast, sign_in, clock):
    client = sign_in(cast.therapist)
    screen(world, cast)
    data = EVERY_GROUP | {"screening_id": str(new_id()), "based_on": ""}
    response = client.post(at("screening-new", world.mosswater), data)
    assert response.status_code == 422
    assert "changed by somebody else" in response.content.decode()


def test_the_form_costs_few_queries(world, cast, sign_in, clock, django_assert_max_num_queries):
    client = sign_in(cast.therapist)
    screen(world, cast)
    with django_assert_max_num_queries(14):
        client.get(at("screening-new", world.mosswater))


# The decision

DECISION = {
    "proceed": "yes",
    "reason_code": "condition_controlled",
    "reason": "Pain is controlled, side-lying only.",
    "conditions": "",
    "stop_below_spo2_percent": "88",
    "expires_at_day": "26",
    "expires_at_month": "Nov",
    "expires_at_year": "2026",
    "expires_at_time": "09:41",
}


def test_a_decision_is_confirmed_with_the_identity_before_the_eyes(world, cast, sign_in, clock):
    row = screen(world, cast, rib_fracture="yes")
    client, address = sign_in(cast.lead), at("screening-decide", world.mosswater, technique="drainage")
    page = client.get(address).content.decode()
    assert "Rib fracture" in page
    assert "Local protocols and the licensed clinician come first" in page
    data = DECISION | {"based_on": row.pk, "decision_id": new_id()}
    confirm = client.post(address, data | {"step": "check"}).content.decode()
    assert not Decision.objects.exists()
    main = confirm[confirm.index("<main") :]
    for words in (
        "MOSSWATER, Bryn",
        "14-Mar-1958 (68 y)",
        "204 118 553",
        "Acute ward, room 12",
        "Not recorded",
    ):
        assert words in main
    assert "Record decision for MOSSWATER, Bryn" in main
    hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', main))
    hidden.pop("csrfmiddlewaretoken", None)
    assert client.post(address, hidden | {"step": "record"}).status_code == 302
    decision = Decision.objects.get()
    assert decision.expires_at == NOW + 24 * HOUR
    assert (decision.decided_by, decision.stop_below_spo2_percent) == (cast.lead, 88)
    shown = client.get(at("screening", world.mosswater)).content.decode()
    assert "M. Saltmarsh decided to proceed" in shown
    clock.shift(HOUR)
    again = client.post(address, hidden | {"step": "record"}, follow=True).content.decode()
    assert Decision.objects.count() == 1
    assert "Already recorded at 09:41" in again


def test_change_on_the_confirm_page_returns_to_the_filled_form(world, cast, sign_in, clock):
    row = screen(world, cast, rib_fracture="yes")
    address = at("screening-decide", world.mosswater, technique="drainage")
    data = DECISION | {"based_on": row.pk, "decision_id": new_id(), "step": "change"}
    page = sign_in(cast.lead).post(address, data).content.decode()
    assert "Pain is controlled, side-lying only." in page
    assert not Decision.objects.exists()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"proceed": ""}, "Choose a decision"),
        ({"reason": ""}, "Enter the reason in words"),
        ({"reason_code": "wait"}, "Choose a reason that fits the decision"),
        ({"expires_at_day": "24"}, "must be today or in the future"),
        ({"stop_below_spo2_percent": "30"}, "must be between 50 and 100 %"),
        ({"based_on": "01999999-0000-7000-8000-000000000001"}, "Another screening was recorded"),
    ],
)
@pytest.mark.usefixtures("clock")
def test_a_decision_that_cannot_stand_shows_the_form_again(world, cast, sign_in, changed, words):
    row = screen(world, cast, rib_fracture="yes")
    address = at("screening-decide", world.mosswater, technique="drainage")
    data = DECISION | {"based_on": row.pk, "decision_id": new_id(), "step": "record"} | changed
    response = sign_in(cast.lead).post(address, data)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Decision.objects.exists()


def test_where_there_is_nothing_to_decide_there_is_no_page(world, cast, sign_in, clock):
    client = sign_in(cast.lead)
    address = at("screening-decide", world.mosswater, technique="drainage")
    assert client.get(address).status_code == 404, "no screening"
    screen(world, cast, icp_above_20="yes")
    assert client.get(at("screening-decide", world.mosswater, technique="mi_e")).status_code == 404
    assert client.get(at("screening-decide", world.mosswater, technique="massage")).status_code == 404


# Who may


def test_who_may_open_the_screening_pages(world, cast, sign_in, clock):
    screen(world, cast, rib_fracture="yes")
    pages = [
        at("screening", world.mosswater),
        at("screening-new", world.mosswater),
        at("screening-decide", world.mosswater, technique="drainage"),
    ]
    expected = {
        "lead": [200, 200, 200],
        "therapist": [200, 200, 200],
        "outsider": [404, 404, 403],
        "manager": [403, 403, 403],
        "administrator": [403, 403, 403],
    }
    for who, statuses in expected.items():
        client = sign_in(getattr(cast, who))
        assert [client.get(page).status_code for page in pages] == statuses, who


def test_an_unlicensed_therapist_sees_the_result_but_not_the_decision(world, cast, sign_in, clock):
    screen(world, cast, rib_fracture="yes")
    cast.therapist.licensed = False
    cast.therapist.save()
    client = sign_in(cast.therapist)
    assert "Document a decision" not in client.get(at("screening", world.mosswater)).content.decode()
    assert client.get(at("screening-decide", world.mosswater, technique="drainage")).status_code == 403
