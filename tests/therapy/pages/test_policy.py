"""Local policy from the form to the guard: who may, what is refused, what would change, and that it then does."""

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic import access
from clinic.audit.models import AuditEvent
from clinic.jobs.models import JobRun
from clinic.records import Refused
from screening import hold_services, services
from screening import selectors as screenings
from screening.models import PolicyRule, PolicyVersion, Screening
from screening.policy import selectors, words
from screening.policy import services as policies
from screening.policy.rules import CellRule, ShelfLifeRule, ThresholdRule, with_rule
from screening.table import Grade, Life, current
from tests.conftest import NOW
from tests.screening.test_services import ALL_NO
from therapy.pages.policy_preview import preview
from therapy.pages.record_checks.care import results_follow_from_the_answers

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
STRICTER = CellRule(
    condition="osteoporosis", technique="pep", grade=Grade.ABSOLUTE, reason="Two fractures here"
)
ICP = ThresholdRule(condition="icp_above_20", number="icp_mmhg", value=15, reason="Our surgeons ask for it")
SHORTER = ShelfLifeRule(life=Life.NOW, minutes=30, reason="Answers change within the hour")


@pytest.fixture(autouse=True)
def frozen(clock):
    return clock


def answer(cast, patient, **answers):
    return services.record_screening(
        by=cast.lead, patient=patient, answers=ALL_NO | answers, at=timezone.now()
    )


def tighten(cast, rule):
    return policies.set_rule(by=cast.lead, rule=rule, review_on=timezone.localdate() + dt.timedelta(days=90))


def guard(patient, technique="pep", purpose="display", at=None):
    return screenings.guard(patient, technique, at or timezone.now(), purpose=purpose)


def test_a_rule_holds_at_once_and_the_order_with_it_and_the_telling_is_queued(world, cast, ordered):
    answer(cast, world.mosswater, osteoporosis="yes", icp_mmhg=12)
    ordered(world.mosswater, "pep")
    assert guard(world.mosswater).allowed
    row = tighten(cast, STRICTER)
    held = guard(world.mosswater)
    assert (held.allowed, held.bar) == (False, "do_not_start")
    assert JobRun.objects.filter(kind="tell-holds", key=f"policy:{row.pk}").exists()
    assert hold_services.tell_all_holds(at=timezone.now()) == 1
    policies.end_rule(by=cast.lead, row=row, reason="The table will do")
    assert guard(world.mosswater).allowed
    hold_services.tell_all_holds(at=timezone.now())
    tighten(cast, STRICTER)
    assert hold_services.tell_all_holds(at=timezone.now()) == 1, "made stricter again, told again"


def test_what_happened_before_is_judged_by_the_policy_of_its_time(world, cast, frozen):
    answer(cast, world.mosswater, osteoporosis="yes")
    frozen.shift(HOUR)
    tighten(cast, STRICTER)
    assert guard(world.mosswater, at=NOW, purpose="record").bar != "do_not_start"
    assert guard(world.mosswater).bar == "do_not_start"


def test_a_decision_is_dead_when_a_policy_changes_what_it_weighed_and_lives_when_not(world, cast):
    screening = answer(cast, world.mosswater, rib_fracture="yes", osteoporosis="yes")
    services.decide(
        by=cast.lead, screening=screening, technique="drainage", proceed=True, reason_code="condition_controlled",
        reason="Side-lying only", expires_at=NOW + 24 * HOUR, at=NOW,
    )  # fmt: skip
    assert guard(world.mosswater, "drainage").allowed
    tighten(cast, STRICTER)
    assert guard(world.mosswater, "drainage").allowed, "another technique's cell"
    tighten(
        cast, CellRule(condition="osteoporosis", technique="drainage", grade=Grade.ABSOLUTE, reason="Here")
    )
    assert not guard(world.mosswater, "drainage").allowed


def test_a_stored_screening_is_replayed_under_the_policy_of_its_own_time(world, cast, frozen):
    row = tighten(cast, STRICTER)
    strict = answer(cast, world.mosswater, osteoporosis="yes")
    frozen.shift(HOUR)
    policies.end_rule(by=cast.lead, row=row, reason="The table will do")
    lax = answer(cast, world.pebblebrook, osteoporosis="yes")
    assert strict.results.get(technique="pep").result == "do_not_start"
    assert lax.results.get(technique="pep").result != "do_not_start"
    assert (lax.policy_version, PolicyVersion.objects.count()) == ("", 1)
    assert selectors.noted([strict.policy_version])[strict.policy_version] == (STRICTER,)
    assert not list(results_follow_from_the_answers())


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (
            CellRule(condition="vomiting_now", technique="mi_e", grade=Grade.RELATIVE, reason="r"),
            "The table lists A",
        ),
        (ThresholdRule(condition="icp_above_20", number="icp_mmhg", value=25, reason="r"), "above 20 mmHg"),
        (ShelfLifeRule(life=Life.NOW, minutes=90, reason="r"), "count for 60 minutes"),
        (
            CellRule(condition="haemoptysis_scant", technique="pep", grade=Grade.ABSOLUTE, reason="r"),
            "less strictly",
        ),
    ],
)
def test_what_would_loosen_is_refused_naming_what_the_table_lists(cast, rule, said):
    with pytest.raises(Refused, match=said):
        tighten(cast, rule)
    assert not PolicyRule.objects.exists()


def test_only_the_licensed_lead_sets_and_ends(world, cast):
    for person in (cast.therapist, cast.manager, cast.administrator):
        with pytest.raises(access.NotPermitted):
            policies.set_rule(by=person, rule=STRICTER, review_on=timezone.localdate() + dt.timedelta(days=9))


def test_a_change_replaces_and_nothing_is_deleted_and_each_is_audited(cast):
    first = tighten(cast, ICP)
    second = tighten(cast, ThresholdRule(condition="icp_above_20", number="icp_mmhg", value=18, reason="r"))
    first.refresh_from_db()
    assert (second.replaces_id, first.ended_at, second.ended_at) == (first.pk, NOW, None)
    assert [line.row for line in selectors.lines_in_force()] == [second]
    assert AuditEvent.objects.filter(action="local policy set").count() == 2


@pytest.mark.parametrize("rule", [STRICTER, ICP, SHORTER])
def test_the_preview_is_what_happens_after_saving(world, cast, ordered, frozen, rule):
    for patient in (world.mosswater, world.pebblebrook):
        answer(cast, patient, osteoporosis="yes", icp_mmhg=17, minutes_since_meal=300)
    answer(cast, world.thistledown, icp_mmhg=9, minutes_since_meal=300)
    ordered(world.mosswater, "incentive_spirometry")
    frozen.shift(HOUR * 3 / 4)
    at, purpose = timezone.now(), "begin" if rule is SHORTER else "display"
    found = preview(with_rule(selectors.in_force(), rule), at)
    pairs = [
        (patient.pk, technique)
        for patient in (world.mosswater, world.pebblebrook, world.thistledown)
        for technique in current().techniques
    ]
    before = screenings.guards(pairs, at, purpose=purpose)
    tighten(cast, rule)
    after = screenings.guards(pairs, at, purpose=purpose)
    results = {pair: (before[pair].result, after[pair].result) for pair in pairs}
    expected = {pair: two for pair, two in results.items() if two[0] != two[1]}
    told = {(key, one.technique): (one.before, one.after) for key, of in found.changes.items() for one in of}
    assert {pair: two for pair, two in told.items() if two[0] != two[1]} == expected
    assert expected, "the rule bears on somebody"
    spirometry = (world.mosswater.pk, "incentive_spirometry")
    assert found.orders_held == int(before[spirometry].allowed and not after[spirometry].allowed)


def test_a_preview_costs_the_same_queries_for_many_patients(world, cast, django_assert_num_queries):
    answer(cast, world.mosswater, osteoporosis="yes")
    with django_assert_num_queries(10):
        assert len(preview([STRICTER], NOW).changes) == 1
    answer(cast, world.pebblebrook, osteoporosis="yes")
    with django_assert_num_queries(10):
        assert len(preview([STRICTER], NOW).changes) == 2


def test_the_form_shows_what_would_change_and_saves_only_then(world, cast, sign_in):
    answer(cast, world.mosswater, osteoporosis="yes")
    client, where = sign_in(cast.lead), reverse("policy-new", args=["cell"])
    day = timezone.localdate() + dt.timedelta(days=60)
    sent = {
        "condition": "osteoporosis", "technique": "pep", "grade": "A", "reason": "Two fractures here",
        "review_on_day": day.day, "review_on_month": day.month, "review_on_year": day.year,
        "rule_id": "01999999-0000-7000-8000-000000000009",
    }  # fmt: skip
    page = client.post(where, sent | {"step": "preview"})
    assert page.status_code == 200, page.content.decode()
    assert "MOSSWATER, Bryn" in page.content.decode()
    assert "PEP: " in page.content.decode()
    assert not PolicyRule.objects.exists()
    assert client.post(where, sent | {"step": "save"}).status_code == 302
    assert selectors.in_force() == (STRICTER,)
    assert words.of(STRICTER, current()) in client.get(reverse("policy")).content.decode()
    row = PolicyRule.objects.get()
    refused = client.post(reverse("policy-end", args=[row.pk]), {"step": "save", "reason": ""})
    assert refused.status_code == 422
    assert (
        client.post(reverse("policy-end", args=[row.pk]), {"step": "save", "reason": "Enough"}).status_code
        == 302
    )
    assert selectors.in_force() == ()


def test_a_review_that_is_due_is_shown_and_flagged_once(cast, frozen):
    tighten(cast, STRICTER)
    frozen.shift(dt.timedelta(days=91))
    assert [line.review_due for line in selectors.lines_in_force()] == [True]
    assert (policies.flag_reviews(now=timezone.now()), policies.flag_reviews(now=timezone.now())) == (1, 0)
    assert Screening.objects.count() == 0


def sent_rule(rule_id, grade="A", **more):
    day = timezone.localdate() + dt.timedelta(days=60)
    return {
        "condition": "osteoporosis", "technique": "pep", "grade": grade, "reason": "Two fractures here",
        "review_on_day": day.day, "review_on_month": day.month, "review_on_year": day.year,
        "rule_id": f"01999999-0000-7000-8000-{rule_id:012d}", "replacing": "",
    } | more  # fmt: skip


def test_of_two_leads_who_set_the_same_rule_at_once_the_second_sees_both_and_loses_nothing(cast, sign_in):
    client, where = sign_in(cast.lead), reverse("policy-new", args=["cell"])
    assert client.post(where, sent_rule(9) | {"step": "preview"}).status_code == 200
    first = tighten(
        cast,
        CellRule(condition="osteoporosis", technique="pep", grade=Grade.ABSOLUTE, reason="Seen by the other"),
    )
    told = client.post(where, sent_rule(9) | {"step": "save"})
    page = told.content.decode()
    assert told.status_code == 422
    assert "Seen by the other" in page
    assert "Two fractures here" in page
    assert f'value="{first.pk}"' in page, "what is sent next is on top of what is shown now"
    assert selectors.in_force() == (selectors.rule_of(first),)
    again = sent_rule(9, replacing=str(first.pk))
    assert "Seen by the other" in client.post(where, again | {"step": "preview"}).content.decode()
    assert client.post(where, again | {"step": "save"}).status_code == 302
    second = PolicyRule.objects.get(ended_at__isnull=True)
    assert (second.replaces_id, second.reason) == (first.pk, "Two fractures here")


def test_a_change_of_a_rule_that_was_ended_meanwhile_is_told(cast, sign_in):
    client, row = sign_in(cast.lead), tighten(cast, STRICTER)
    policies.end_rule(by=cast.lead, row=row, reason="The table will do")
    told = client.post(
        reverse("policy-new", args=["cell"]), sent_rule(9, replacing=str(row.pk)) | {"step": "save"}
    )
    assert told.status_code == 422
    assert "ended: The table will do" in told.content.decode()
    assert selectors.in_force() == ()
    ended = client.get(reverse("policy-end", args=[row.pk]), follow=True)
    assert "changed or ended meanwhile" in ended.content.decode()


@pytest.mark.parametrize("rule", [STRICTER, ICP, SHORTER])
def test_change_stands_beside_each_rule_and_starts_with_what_is_in_force(cast, sign_in, rule):
    client, row = sign_in(cast.lead), tighten(cast, rule)
    where = f"{reverse('policy-new', args=[row.kind])}?of={row.pk}"
    assert where in client.get(reverse("policy")).content.decode()
    form = client.get(where).context["form"]
    assert form.initial["replacing"] == str(row.pk)
    assert rule.reason in form.as_p()
    sent = {name: form[name].value() for name in form.fields if name != "review_on"} | {
        "review_on_day": row.review_on.day, "review_on_month": row.review_on.month,
        "review_on_year": row.review_on.year, "reason": "Looked at again", "step": "save",
    }  # fmt: skip
    saved = client.post(where, sent)
    assert saved.status_code == 302, saved.content.decode()
    (now,) = selectors.open_rules()
    assert (now.replaces_id, now.reason) == (row.pk, "Looked at again")
    assert (now.value, now.minutes, now.grade) == (row.value, row.minutes, row.grade)


def test_what_waits_for_a_decision_is_told_again_once_a_policy_bars_it(world, cast, ordered, frozen):
    answer(cast, world.mosswater)
    ordered(world.mosswater, "drainage")
    frozen.shift(HOUR)
    answer(cast, world.mosswater, osteoporosis="yes")
    hold_services.tell_all_holds(at=timezone.now())
    (before,) = screenings.open_hold_flags([world.mosswater.pk])
    frozen.shift(HOUR)
    tighten(cast, STRICTER)
    assert hold_services.tell_all_holds(at=timezone.now()) == 0, "another technique's cell"
    frozen.shift(HOUR)
    tighten(
        cast, CellRule(condition="osteoporosis", technique="drainage", grade=Grade.ABSOLUTE, reason="Here")
    )
    assert hold_services.tell_all_holds(at=timezone.now()) == 1
    (after,) = screenings.open_hold_flags([world.mosswater.pk])
    before.refresh_from_db()
    assert (before.state, before.outcome, after.due_at) == ("closed", "superseded", before.due_at)
    assert hold_services.tell_all_holds(at=timezone.now() + HOUR) == 0, "told once"
