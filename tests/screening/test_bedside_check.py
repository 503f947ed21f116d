"""The bedside check as a therapist meets it: what is asked, what is recorded, and where it leads."""

import datetime as dt
import re

import pytest
import time_machine
from django.urls import reverse

from clinic.attention.models import Flag
from clinic.audit.models import AuditEvent
from clinic.ids import new_id
from screening import ordered, selectors, services, table
from screening.models import Answer, Screening
from tests.conftest import NOW
from tests.screening.test_services import wait_longer

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
TABLE = table.current()
ALL_NO = {key: "no" for key, row in TABLE.conditions.items() if "age_years" not in row.numbers}
OPEP = "oscillating_pep"
NONE = {"none": "checked"}


@pytest.fixture
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture(autouse=True)
def orders():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, (OPEP, "drainage")))
    yield
    ordered.told_by(before)


@pytest.fixture
def screened(world, cast, clock):
    """Screened at NOW with everything answered no but what is named; two hours later."""

    def screen(hours=2, **changed):
        row = services.record_screening(
            by=cast.therapist, patient=world.mosswater, answers=ALL_NO | changed, at=NOW
        )
        clock.shift(hours * HOUR)
        return row

    return screen


@pytest.fixture
def signed_in(cast, sign_in):
    return sign_in(cast.therapist)


def address(patient, technique=OPEP, then="/somewhere/"):
    found = reverse("bedside-check", args=[patient.pk, technique])
    return f"{found}?next={then}" if then else found


def shown(client, where):
    return client.get(where).content.decode()


def hidden(page):
    names = "based_on|screening_id|asked"
    return dict(re.findall(rf'<input type="hidden" name="({names})"(?: value="([^"]*)")?', page))


def send(client, where, **data):
    """Fill in the check as it stands on the page."""
    return client.post(where, hidden(shown(client, where)) | data)


def asked(page):
    return set(re.findall(r'<input type="radio" name="(\w+)"', page))


# What is asked


def test_it_asks_exactly_what_is_out_of_date_for_this_technique(world, cast, sign_in, screened):
    screened()
    page = shown(sign_in(cast.therapist), address(world.mosswater))
    bearing = TABLE.bearing_on(OPEP)
    assert asked(page) == {key for key in bearing if TABLE.conditions[key].life == "now"}
    assert 'name="osteoporosis"' not in page, "standing, and in date"
    assert "MOSSWATER, Bryn" in page[: page.index("<h1>")], "the banner comes first"
    assert "Record the check for MOSSWATER, Bryn" in page
    assert "Local protocols and the licensed clinician come first" in page
    assert "style=" not in page
    assert not re.search(r"<script(?![^>]*\bsrc=)", page)


def test_a_row_that_a_number_answers_can_be_answered_by_the_number_with_its_unit(
    world, cast, sign_in, screened
):
    screened()
    page = shown(sign_in(cast.therapist), address(world.mosswater))
    assert 'name="haemoptysis_24h_ml"' in page
    assert re.search(r"Blood coughed up in 24 h.*?mL, 0 to 5,000", page, re.DOTALL)
    assert 'name="icp_mmhg"' in page
    assert 'name="platelets_10e9_per_l"' not in page


def test_where_nothing_needs_asking_it_says_so_and_offers_to_start(world, cast, sign_in, screened):
    screened(hours=0)
    page = shown(sign_in(cast.therapist), address(world.mosswater))
    assert "Nothing needs asking now" in page
    assert '<a class="button" href="/somewhere/">Start with MOSSWATER, Bryn</a>' in page
    assert not asked(page)


def test_without_a_screening_it_asks_what_bears_on_the_technique_and_says_that_the_rest_stays_open(
    world, cast, sign_in, clock
):
    client, where = sign_in(cast.therapist), address(world.mosswater)
    page = shown(client, where)
    assert "No screening has been recorded" in page
    assert asked(page) == set(TABLE.bearing_on(OPEP)) - {"age_under_2"}
    assert send(client, where, **NONE).headers["Location"] == "/somewhere/"
    results = dict(Screening.objects.get().results.values_list("technique", "result"))
    assert results[OPEP] == "none_found"
    assert results["percussion_vibration"] == "incomplete"


@pytest.mark.parametrize("technique", ["pep", "mi_e", "head_down_drainage"])
def test_an_old_number_under_a_row_answered_unknown_is_asked_again_and_bars_until_then(
    world, sign_in, screened, clock, technique
):
    """Unknown is never no: "unknown" beside a number counts by the number only while the number is in date."""
    first = screened(hours=96, icp_above_20="unknown", icp_mmhg=12)
    later = NOW + 96 * HOUR
    fresh = {key: "no" for key in ALL_NO if key != "icp_above_20"}
    services.record_screening(
        by=first.by, patient=world.mosswater, answers=fresh, at=later, keep="all", screening_id=new_id()
    )
    found = selectors.guard(world.mosswater, technique, later, purpose="begin")
    assert (found.allowed, found.bar, found.missing) == (False, "out_of_date", ("icp_above_20",))
    assert found.held_because == ("Intracranial pressure above 20 mmHg: the answer is 4 days old, ask again",)
    ahead = selectors.guard(world.mosswater, technique, later, purpose="schedule")
    assert (ahead.allowed, ahead.ask_again) == (True, ("icp_above_20",)), "age alone holds nothing ahead"
    client, where = sign_in(first.by), address(world.mosswater, technique)
    page = shown(client, where)
    assert asked(page) == {"icp_above_20"}
    assert 'name="icp_mmhg"' in page
    clock.shift(dt.timedelta(minutes=1))
    assert send(client, where, icp_mmhg="12").headers["Location"] == "/somewhere/"
    assert selectors.guard(world.mosswater, technique, later + HOUR / 2, purpose="begin").allowed


def test_a_meal_within_the_clinics_own_longer_wait_holds_head_down_drainage(world, cast, signed_in, screened):
    wait_longer(cast, 120)
    screened(hours=0)
    client, where = signed_in, address(world.mosswater, "head_down_drainage")
    assert "Nothing needs asking now" in shown(client, where)
    services.record_screening(
        by=cast.therapist, patient=world.mosswater, answers={"minutes_since_meal": 95}, at=NOW, keep="all"
    )
    page = shown(client, where)
    assert "Meal or feed within the waiting time (95 min, counts under 120 min here)" in page.replace(
        "\xa0", " "
    )
    assert "Nothing needs asking now" not in page


# What is recorded


def test_one_choice_answers_the_rest_and_the_treatment_goes_on(world, cast, sign_in, screened):
    first = screened()
    client, where = sign_in(cast.therapist), address(world.mosswater)
    page = shown(client, where)
    response = client.post(where, hidden(page) | NONE)
    assert response.headers["Location"] == "/somewhere/"
    row = Screening.objects.get(ended_at__isnull=True)
    assert row.replaces == first
    now = row.answers.filter(answered_at=NOW + 2 * HOUR).exclude(condition="age_years")
    assert set(now.values_list("condition", flat=True)) == asked(page)
    assert set(now.values_list("kind", "by_group")) == {("no", True)}
    assert selectors.guard(world.mosswater, OPEP, NOW + 2 * HOUR, purpose="begin").allowed


def test_what_was_not_asked_keeps_its_time_and_its_person(world, cast, sign_in, screened):
    screened(osteoporosis="yes")
    send(sign_in(cast.lead), address(world.mosswater), **NONE)
    kept = Screening.objects.get(ended_at__isnull=True).answers.get(condition="osteoporosis")
    assert (kept.kind, kept.answered_at, kept.answered_by) == ("yes", NOW, cast.therapist)


def test_what_is_left_open_stays_open_and_keeps_the_treatment_from_beginning(world, cast, sign_in, screened):
    screened()
    client, where = sign_in(cast.therapist), address(world.mosswater)
    response = send(client, where, epistaxis="no")
    assert response.headers["Location"] == where
    page = shown(client, where)
    assert "Check recorded" in page
    assert "epistaxis" not in asked(page)
    assert "acute_dyspnoea" in asked(page)
    assert not selectors.guard(world.mosswater, OPEP, NOW + 2 * HOUR, purpose="begin").allowed


def test_an_unknown_answer_is_never_taken_as_no(world, cast, sign_in, screened):
    screened()
    client, where = sign_in(cast.therapist), address(world.mosswater)
    assert send(client, where, **NONE, epistaxis="unknown").headers["Location"] == where
    assert asked(shown(client, where)) == {"epistaxis"}


def test_what_was_found_last_time_is_not_denied_by_the_choice_for_the_rest(world, cast, sign_in, screened):
    screened(epistaxis="yes")
    client, where = sign_in(cast.therapist), address(world.mosswater)
    page = shown(client, where)
    found = page[page.index("Found last time") : page.index('aria-label="Questions"')]
    assert 'name="epistaxis"' in found
    assert "Last answer yes, 2 h ago" in found
    send(client, where, **NONE)
    kept = Screening.objects.get(ended_at__isnull=True).answers.get(condition="epistaxis")
    assert (kept.kind, kept.answered_at) == ("yes", NOW)
    assert asked(shown(client, where)) == {"epistaxis"}


def test_a_number_answers_its_rows_in_place_of_the_choice_for_the_rest(world, cast, sign_in, screened):
    screened()
    send(sign_in(cast.therapist), address(world.mosswater), **NONE, haemoptysis_24h_ml="0")
    row = Screening.objects.get(ended_at__isnull=True)
    assert row.answers.get(condition="haemoptysis_24h_ml").value == 0
    assert not row.answers.filter(condition="haemoptysis_scant").exists()
    assert selectors.guard(world.mosswater, OPEP, NOW + 2 * HOUR, purpose="begin").allowed


def test_the_choice_covers_what_the_page_showed_and_nothing_that_went_out_of_date_since(
    world, cast, sign_in, screened, clock
):
    screened(hours=23.9)
    client, where = sign_in(cast.therapist), address(world.mosswater)
    page = shown(client, where)
    clock.shift(HOUR)
    response = client.post(where, hidden(page) | NONE)
    assert response.headers["Location"] == where
    later = Answer.objects.filter(screening__ended_at__isnull=True, answered_at__gt=NOW)
    assert set(later.exclude(condition="age_years").values_list("condition", flat=True)) == asked(page)
    assert {TABLE.conditions[key].life for key in asked(shown(client, where))} == {"today"}


def test_sending_it_twice_makes_one_screening(world, cast, sign_in, screened, clock):
    screened()
    client, where = sign_in(cast.therapist), address(world.mosswater)
    data = hidden(shown(client, where)) | NONE
    client.post(where, data)
    clock.shift(dt.timedelta(minutes=5))
    again = client.post(where, data)
    assert again.headers["Location"] == "/somewhere/"
    assert Screening.objects.count() == 2
    assert "Already recorded at 11:41" in shown(client, address(world.mosswater))


# Findings


def test_a_finding_holds_at_once_and_says_why_whom_to_ring_and_what_is_still_allowed(
    world, cast, sign_in, screened
):
    world.acute.phone = "ext. 5512"
    world.acute.save()
    screened()
    client, where = sign_in(cast.therapist), address(world.mosswater)
    response = send(client, where, **NONE, epistaxis="yes")
    assert response.headers["Location"] == where
    page = shown(client, where)
    hold = page[page.index("On hold") : page.index("</main>")]
    assert "Oscillating PEP must not begin, since 25-Nov-2026 11:41" in hold
    assert "Epistaxis" in hold
    flag = Flag.objects.get(technique=OPEP)
    assert "the prescriber or another licensed clinician, who must decide by" in hold
    assert "Acute ward: ext. 5512" in hold
    assert "Ordered and not on hold:</strong> Drainage" in hold
    assert reverse("screening-decide", args=[world.mosswater.pk, OPEP]) in hold
    assert "Start with" not in hold
    assert flag.decides


def test_a_therapist_without_a_licence_is_not_offered_the_decision(world, cast, sign_in, screened):
    cast.therapist.licensed = False
    cast.therapist.save()
    screened(hours=0, epistaxis="yes")
    page = shown(sign_in(cast.therapist), address(world.mosswater))
    assert "must not begin" in page
    assert "Document a decision" not in page


def test_a_decision_to_proceed_is_shown_with_its_conditions_before_the_start(world, cast, sign_in, screened):
    row = screened(hours=0, epistaxis="yes")
    services.decide(
        by=cast.lead,
        screening=row,
        technique=OPEP,
        proceed=True,
        reason_code="condition_controlled",
        reason="Packed, dry since the morning",
        expires_at=NOW + 24 * HOUR,
        at=NOW,
        conditions="Somebody stays",
        stop_below_spo2_percent=88,
    )
    page = shown(sign_in(cast.therapist), address(world.mosswater))
    assert "Somebody stays." in page
    assert "Stop below SpO2" in page
    assert "Start with MOSSWATER, Bryn" in page


def test_a_reason_to_measure_opens_what_had_none(world, cast, sign_in, screened):
    screened(platelets_10e9_per_l="no_reason_to_measure")
    client, where = sign_in(cast.therapist), address(world.mosswater)
    assert send(client, where, **NONE, active_bleeding_unstable="yes").status_code == 302
    row = Screening.objects.get(ended_at__isnull=True)
    assert not row.answers.filter(condition="platelets_10e9_per_l").exists()


# What goes wrong


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({}, "Answer the questions, or say that you checked them"),
        (NONE | {"haemoptysis_24h_ml": "abc"}, "Blood coughed up in 24 h must be a number"),
        (NONE | {"haemoptysis_24h_ml": "9000"}, "must be between 0 and 5,000 mL"),
        (NONE | {"haemoptysis_24h_ml": "8", "haemoptysis_massive": "yes"}, "says no"),
        (NONE | {"based_on": ""}, "changed by somebody else"),
    ],
)
def test_what_cannot_be_recorded_shows_the_filled_check_again(signed_in, world, screened, data, words):
    screened()
    response = send(signed_in, address(world.mosswater), **data)
    page = response.content.decode()
    assert response.status_code == 422
    assert words in page
    assert "<title>Error: " in page
    assert bool(re.search(r'name="none"[^>]* checked', page)) is bool(data)
    assert Screening.objects.count() == 1


# Where it leads


@pytest.mark.parametrize(
    "then", ["https://elsewhere.example/", "//elsewhere.example/", "javascript:alert(1)", ""]
)
def test_it_never_leads_away_from_this_site(world, cast, sign_in, screened, then):
    screened()
    client, where = sign_in(cast.therapist), address(world.mosswater, then=then)
    assert "elsewhere.example" not in re.sub(r'value="[^"]*"', "", shown(client, where).split("<footer")[0])
    response = send(client, where, **NONE)
    assert response.headers["Location"] == reverse("screening", args=[world.mosswater.pk])


# Who may, and what it costs


def test_who_may_open_the_check(world, cast, sign_in, screened):
    screened()
    expected = {"lead": 200, "therapist": 200, "outsider": 404, "manager": 403, "administrator": 403}
    for who, status in expected.items():
        client = sign_in(getattr(cast, who))
        assert client.get(address(world.mosswater)).status_code == status, who
        assert client.post(address(world.mosswater), NONE).status_code == (422 if status == 200 else status)
    assert sign_in(cast.lead).get(address(world.mosswater, "massage")).status_code == 404


def test_reading_the_check_is_audited(world, cast, sign_in, screened):
    screened()
    sign_in(cast.therapist).get(address(world.mosswater))
    event = AuditEvent.objects.get(action="bedside check read")
    assert (event.actor_id, event.patient_id) == (cast.therapist.pk, world.mosswater.pk)


@pytest.mark.usefixtures("screened")
def test_the_check_costs_the_same_queries_with_much_as_with_little(
    world, cast, signed_in, clock, django_assert_max_num_queries
):
    client = signed_in
    services.record_screening(by=cast.therapist, patient=world.mosswater, answers=ALL_NO, at=NOW)
    with django_assert_max_num_queries(20):
        client.get(address(world.mosswater))
    for hours in range(1, 5):
        clock.shift(HOUR)
        services.record_screening(
            by=cast.therapist,
            patient=world.mosswater,
            answers=ALL_NO | {"rib_fracture": "yes", "epistaxis": "yes"},
            at=NOW + hours * HOUR,
            screening_id=new_id(),
        )
    clock.shift(2 * HOUR)
    with django_assert_max_num_queries(27):
        client.get(address(world.mosswater))
