"""A decision is bound to what it weighed: what ends it, what does not, and how long it may run."""

import datetime as dt

import pytest
import time_machine
from django.urls import reverse

from clinic.attention.models import Flag
from clinic.audit.models import AuditEvent
from clinic.ids import new_id
from screening import ordered, selectors, services, table
from screening.decisions import rules
from screening.decisions.selectors import no_longer
from screening.holds import Bar
from screening.models import Decision
from screening.rules import Answer, screen
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
TABLE = table.current()
ALL_NO = {key: "no" for key, condition in TABLE.conditions.items() if "age_years" not in condition.numbers}


@pytest.fixture(autouse=True)
def clock():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("percussion_vibration",)))
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller
    ordered.told_by(before)


@pytest.fixture
def ends():
    """Sets when the order ends; put back afterwards."""
    before = ordered.ends_told_by(lambda patient, technique: ordered.Ends(ordered=False))
    ordered.ends_told_by(before)

    def at(moment):
        ordered.ends_told_by(lambda patient, technique: ordered.Ends(ordered=True, at=moment))

    yield at
    ordered.ends_told_by(before)


def screened(world, cast, at=NOW, **changed):
    with time_machine.travel(at, tick=False):
        return services.record_screening(
            by=cast.therapist, patient=world.mosswater, answers=ALL_NO | changed, at=at
        )


def decide(cast, screening, at=NOW, **changed):
    arguments = {
        "technique": "percussion_vibration",
        "proceed": True,
        "reason_code": "technique_adapted",
        "reason": "Vibration only, away from the ribs.",
        "conditions": "Vibration only",
        "stop_below_spo2_percent": 88,
        "expires_at": at + 96 * HOUR,
        "at": at,
    } | changed
    return services.decide(by=cast.lead, screening=screening, **arguments)


def guard(world, at=NOW, purpose="begin"):
    return selectors.guard(world.mosswater, "percussion_vibration", at, purpose=purpose)


def why(world, at):
    return no_longer(world.mosswater.pk, {"percussion_vibration": guard(world, at, "display")}, at).get(
        "percussion_vibration", ""
    )


# What ends it


def test_it_is_not_asked_again_for_the_same_findings_however_often_they_are_confirmed(world, cast):
    decide(cast, screened(world, cast, osteoporosis="yes"))
    told = Flag.objects.count()
    for hours in (1, 25, 49):
        screened(world, cast, NOW + hours * HOUR, osteoporosis="yes")
        assert guard(world, NOW + hours * HOUR).allowed
    assert Flag.objects.count() == told
    assert why(world, NOW + 49 * HOUR) == ""


def test_a_weighed_finding_answered_otherwise_ends_it_for_good_and_the_page_says_why(world, cast, sign_in):
    made = decide(cast, screened(world, cast, osteoporosis="yes", rib_fracture="yes"))
    screened(world, cast, NOW + HOUR, osteoporosis="yes")
    made.refresh_from_db()
    assert made.ended_at == NOW + HOUR
    assert AuditEvent.objects.filter(action="decision ended", subject_id=str(made.pk)).count() == 1
    assert "'Rib fracture' is no longer found" in why(world, NOW + HOUR)
    screened(world, cast, NOW + 2 * HOUR, osteoporosis="yes", rib_fracture="yes")
    assert guard(world, NOW + 2 * HOUR).bar is Bar.DECISION_WANTED, "the old answer does not bring it back"
    with time_machine.travel(NOW + 2 * HOUR, tick=False):
        client = sign_in(cast.lead)
        page = client.get(reverse("screening", args=[world.mosswater.pk])).content.decode()
        asked = client.get(
            reverse("screening-decide", args=[world.mosswater.pk, "percussion_vibration"])
        ).content.decode()
    for shown in (page, asked):
        assert "no longer counts because &#x27;Rib fracture&#x27; is no longer found" in shown


def test_another_number_ends_it(world, cast):
    platelets = {"platelets_20_to_49": "unknown", "platelets_under_20": "unknown"}
    made = decide(cast, screened(world, cast, platelets_10e9_per_l=35, **platelets))
    screened(world, cast, NOW + HOUR, platelets_10e9_per_l=31, **platelets)
    made.refresh_from_db()
    assert "was answered 35, now 31" in made.ended_reason


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"osteoporosis": "unknown"}, "'Osteoporosis' is open now"),
        ({"osteoporosis": "yes", "meal_within_waiting_time": "yes"}, "is new"),
    ],
)
def test_an_open_row_or_a_new_finding_ends_it_and_is_named(world, cast, changed, words):
    decide(cast, screened(world, cast, osteoporosis="yes"))
    screened(world, cast, NOW + HOUR, **changed)
    assert words in why(world, NOW + HOUR)
    screened(world, cast, NOW + 2 * HOUR, osteoporosis="yes")
    assert guard(world, NOW + 2 * HOUR).bar is Bar.DECISION_WANTED


def test_nothing_is_said_of_a_decision_that_ran_out_by_itself(world, cast):
    decide(cast, screened(world, cast, osteoporosis="yes"), expires_at=NOW + 2 * HOUR)
    assert guard(world, NOW + 3 * HOUR).bar is not Bar.NOTHING
    assert why(world, NOW + 3 * HOUR) == ""


def test_why_decisions_count_no_longer_costs_two_queries_however_many(world, cast, django_assert_num_queries):
    row = screened(world, cast, osteoporosis="yes", rib_fracture="yes")
    for technique in ("drainage", "percussion_vibration", "hfcwo", "directed_cough"):
        if selectors.guard(world.mosswater, technique, NOW, purpose="display").bar is Bar.DECISION_WANTED:
            decide(cast, row, technique=technique)
    screened(world, cast, NOW + HOUR, rib_fracture="yes")
    pairs = [(world.mosswater.pk, key) for key in TABLE.techniques]
    found = selectors.guards(pairs, NOW + HOUR, purpose="display")
    with django_assert_num_queries(2):
        said = no_longer(world.mosswater.pk, {key: one for (_, key), one in found.items()}, NOW + HOUR)
    assert len(said) > 1


# The conditions, wherever treatment begins


def test_conditions_and_limit_are_read_before_the_questions_are_asked_again(world, cast, sign_in):
    decide(cast, screened(world, cast, osteoporosis="yes"))
    later = NOW + 3 * HOUR
    assert guard(world, later).bar is Bar.OUT_OF_DATE
    with time_machine.travel(later, tick=False):
        address = reverse("bedside-check", args=[world.mosswater.pk, "percussion_vibration"])
        page = sign_in(cast.therapist).get(address).content.decode()
    assert "Decided to proceed" in page
    assert "Vibration only" in page
    assert "Stop below SpO2 88" in page


# How long it may run


DECISION = {
    "proceed": "yes", "reason_code": "technique_adapted", "reason": "Vibration only.",
    "expires_at_day": "", "expires_at_month": "", "expires_at_year": "", "expires_at_time": "",
    "to_order_end": "yes", "step": "record",
}  # fmt: skip


def sent(client, world, row, **changed):
    return client.post(
        reverse("screening-decide", args=[world.mosswater.pk, "percussion_vibration"]),
        DECISION | {"based_on": row.pk, "decision_id": new_id()} | changed,
    )


def test_on_standing_findings_alone_it_may_run_to_the_orders_end(world, cast, sign_in, ends):
    row, client = screened(world, cast, osteoporosis="yes"), sign_in(cast.lead)
    ends(NOW + dt.timedelta(days=40))
    address = reverse("screening-decide", args=[world.mosswater.pk, "percussion_vibration"])
    assert "Until the order ends, 04-Jan-2027 09:41" in client.get(address).content.decode()
    assert "04-Jan-2027 09:41" in sent(client, world, row, step="check").content.decode()
    assert sent(client, world, row).status_code == 302
    assert Decision.objects.get().expires_at == NOW + dt.timedelta(days=40)


@pytest.mark.parametrize("case", [(None, "The order has no end"), (500, "later than 366 days")])
def test_without_an_end_it_runs_366_days_and_the_page_says_so(world, cast, sign_in, ends, case):
    days, words = case
    row, client = screened(world, cast, osteoporosis="yes"), sign_in(cast.lead)
    ends(None if days is None else NOW + dt.timedelta(days=days))
    address = reverse("screening-decide", args=[world.mosswater.pk, "percussion_vibration"])
    assert words in client.get(address).content.decode()
    sent(client, world, row)
    assert Decision.objects.get().expires_at == NOW + dt.timedelta(days=366)


def test_beside_a_finding_of_today_or_without_an_order_it_is_not_offered(world, cast, sign_in, ends):
    client = sign_in(cast.lead)
    address = reverse("screening-decide", args=[world.mosswater.pk, "percussion_vibration"])
    screened(world, cast, osteoporosis="yes")
    assert "to_order_end" not in client.get(address).content.decode()
    ends(NOW + dt.timedelta(days=40))
    row = screened(world, cast, NOW + HOUR, osteoporosis="yes", rib_fracture="yes")
    with time_machine.travel(NOW + HOUR, tick=False):
        assert "to_order_end" not in client.get(address).content.decode()
        assert sent(client, world, row).status_code == 422, "nor taken where it was not offered"


# Pure


def result(**changed):
    answers = {key: Answer(value) for key, value in (ALL_NO | {"age_years": 68} | changed).items()}
    return screen(answers, TABLE, techniques=["percussion_vibration"])["percussion_vibration"]


def test_differences_name_each_finding_once():
    before = {"osteoporosis": "yes", "rib_fracture": "yes", "platelets_20_to_49": 35}
    now = result(
        rib_fracture="yes", lung_contusion="yes", platelets_10e9_per_l=31,
        platelets_20_to_49="unknown", platelets_under_20="unknown",
    ).contributions  # fmt: skip
    said = rules.in_words(rules.differences(before, now), TABLE)
    assert said.count("no longer found") == 1
    assert "now 31" in said
    assert "is new" in said
    assert "Rib fracture" not in said


def test_only_standing_findings_run_as_long_as_the_order():
    assert rules.only_standing(result(osteoporosis="yes").contributions, TABLE)
    assert not rules.only_standing(result(osteoporosis="yes", rib_fracture="yes").contributions, TABLE)
    assert not rules.only_standing((), TABLE)
