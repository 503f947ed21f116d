"""The lead's page of decisions per condition, from rows as the services write them."""

import datetime as dt

import pytest
import time_machine
from django.urls import reverse

from screening import ordered, services, table
from screening.lifts import services as lifts
from tests.conftest import NOW
from therapy.models import TreatmentSession
from therapy.pages import decision_counts

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture(autouse=True)
def clock():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("percussion_vibration", "mi_e")))
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller
    ordered.told_by(before)


def screen(cast, patient, at=NOW, **changed):
    with time_machine.travel(at, tick=False):
        return services.record_screening(by=cast.therapist, patient=patient, answers=ALL_NO | changed, at=at)


def decide(cast, screening, at=NOW, *, proceed=True):
    return services.decide(
        by=cast.lead, screening=screening, technique="percussion_vibration", proceed=proceed,
        reason_code="technique_adapted" if proceed else "wait", reason="r", expires_at=at + 24 * HOUR, at=at,
    )  # fmt: skip


def given(cast, patient, at, *, outside=True, **changed):
    return TreatmentSession.objects.create(
        **{
            "patient": patient, "technique": "percussion_vibration", "service_date": at.date(),
            "started_at": at, "ended_at": at + HOUR / 2, "delivered": "full", "recorded_by": cast.therapist,
            "recorded_at": at, "payload_version": "session/1", "payload_sha256": "0" * 64,
            "delivered_by": "therapist", "outside_rules": outside,
        } | changed
    )  # fmt: skip


TODAY = NOW.date()


def row(condition, month="2026-11", today=TODAY):
    page = decision_counts.of_month(month, today)
    found = {one.counts.condition: one.counts for one in page.rows}
    one = found.get(condition)
    return (one.shown, one.proceed, one.against, one.outside, one.lifted) if one else None


def test_holds_decisions_and_treatments_outside_the_rules_count_for_what_was_found(world, cast):
    patient = world.mosswater
    first = screen(cast, patient, osteoporosis="yes", rib_fracture="yes")
    # Rib fracture holds both ordered techniques, osteoporosis one of them.
    assert row("rib_fracture") == (2, 0, 0, 0, 0)
    assert row("osteoporosis") == (1, 0, 0, 0, 0)
    decide(cast, first)
    decide(cast, first, NOW + HOUR, proceed=False)
    assert row("osteoporosis") == (1, 1, 1, 0, 0)
    given(cast, patient, NOW + 2 * HOUR)
    screen(cast, patient, NOW + 3 * HOUR)
    given(cast, patient, NOW + 4 * HOUR)
    assert row("rib_fracture")[3] == 1, "the screening in force at its start"
    given(cast, patient, NOW + 2 * HOUR, entered_in_error=True)
    given(cast, patient, NOW + 2 * HOUR, delivered="not_delivered")
    given(cast, patient, NOW + 2 * HOUR, outside=False)
    assert row("rib_fracture")[3] == 1, "struck, not given, or within the rules: not counted"


def test_what_is_confirmed_unchanged_is_not_shown_again(world, cast):
    decide(cast, screen(cast, world.mosswater, osteoporosis="yes"))
    for hours in (1, 2, 3):
        screen(cast, world.mosswater, NOW + hours * HOUR, osteoporosis="yes")
    assert row("osteoporosis") == (1, 1, 0, 0, 0)


def test_a_lift_counts_in_the_month_of_its_second_signature(world, cast, clock):
    screen(cast, world.mosswater, lung_abscess="yes")
    lift = lifts.propose(
        by=cast.lead, patient=world.mosswater, technique="mi_e", condition="lung_abscess", prescriber="",
        prescriber_account=cast.lead, given="", reason="r", expires_at=NOW + dt.timedelta(days=7), at=NOW,
    )  # fmt: skip
    assert row("lung_abscess")[4] == 0, "one signature is none"
    second = dt.datetime(2026, 12, 1, 0, 30, tzinfo=dt.UTC)
    clock.move_to(second)
    lifts.sign(by=cast.therapist, lift=lift, at=second)
    december = dt.date(2026, 12, 1)
    assert row("lung_abscess", "2026-12", december) == (0, 0, 0, 0, 1)
    assert row("lung_abscess", "2026-11", december)[4] == 0


def test_months_are_local_calendar_months(world, cast, settings):
    settings.TIME_ZONE = "Europe/London"
    last_hour = dt.datetime(2026, 6, 30, 23, 30, tzinfo=dt.UTC)  # already July in London
    screen(cast, world.mosswater, last_hour - HOUR, osteoporosis="yes")
    given(cast, world.mosswater, last_hour)
    july = dt.date(2026, 7, 15)
    assert row("osteoporosis", "2026-07", july) == (0, 0, 0, 1, 0)
    assert row("osteoporosis", "2026-06", july)[3] == 0


def test_the_page_costs_as_much_with_many_rows_as_with_few(world, cast, django_assert_max_num_queries):
    def fill(patient, hour):
        screening = screen(cast, patient, NOW + hour * HOUR, osteoporosis="yes", rib_fracture="yes")
        decide(cast, screening, NOW + hour * HOUR)
        given(cast, patient, NOW + hour * HOUR)

    fill(world.mosswater, 0)
    with django_assert_max_num_queries(6):
        decision_counts.of_month("2026-11", NOW.date())
    for hour in range(1, 4):
        fill(world.pebblebrook, hour)
        fill(world.mosswater, hour)
    with django_assert_max_num_queries(6):
        decision_counts.of_month("2026-11", NOW.date())


def test_the_lead_reads_it_and_it_names_nobody(world, cast, sign_in):
    decide(cast, screen(cast, world.mosswater, osteoporosis="yes"))
    page = sign_in(cast.lead).get(reverse("decision-counts")).content.decode()
    assert "Decisions per condition, November 2026" in page
    assert "The month is still running" in page
    assert "Osteoporosis" in page
    assert "not a judgement of people" in page
    main = page[page.index("<main") : page.index("</main")]
    for person in (cast.lead, cast.therapist):
        assert person.family_name not in main
    for wrong in ("2026-13", "x", "2027-01", "1990-01"):
        assert sign_in(cast.lead).get(reverse("decision-counts"), {"month": wrong}).status_code == 404
    empty = sign_in(cast.lead).get(reverse("decision-counts"), {"month": "2026-10"}).content.decode()
    assert "No condition made a clinician decide in October 2026" in empty
    assert sign_in(cast.therapist).get(reverse("decision-counts")).status_code == 403
