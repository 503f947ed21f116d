"""Recording a screening and a decision: who may, what is kept, who is told."""

import datetime as dt

import pytest
import time_machine
from django.utils import timezone

from clinic import access, records
from clinic.attention.models import Flag, Notice
from clinic.audit.models import AuditEvent
from clinic.records import Refused
from screening import hold_services, ordered, selectors, services, table
from screening.models import Answer, Decision, Screening
from screening.policy import services as policies
from screening.policy.rules import ThresholdRule
from tests.conftest import NOW
from therapy.pages.record_checks.care import results_follow_from_the_answers

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture(autouse=True)
def frozen():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def orders():
    """PEP and MI-E are ordered for every patient."""
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("pep", "mi_e", "pep")))
    yield
    ordered.told_by(before)


def record(world, cast, *, at=NOW, by=None, **changed):
    keep = changed.pop("keep", ())
    answers = changed.pop("answers", ALL_NO) | changed
    with time_machine.travel(max(at, timezone.now()), tick=False):
        return services.record_screening(
            by=by or cast.therapist, patient=world.mosswater, answers=answers, at=at, keep=keep
        )


def wait_longer(cast, minutes):
    """The clinic's own wait after a meal before head-down drainage."""
    rule = ThresholdRule(
        condition="meal_within_waiting_time", number="minutes_since_meal", technique="head_down_drainage",
        value=minutes, reason="Our patients settle late",
    )  # fmt: skip
    return policies.set_rule(by=cast.lead, rule=rule, review_on=timezone.localdate() + dt.timedelta(days=90))


def decide(screening, by, **changed):
    arguments = {
        "technique": "drainage",
        "proceed": True,
        "reason_code": "condition_controlled",
        "reason": "Pain is controlled, side-lying only.",
        "expires_at": NOW + 24 * HOUR,
        "at": NOW,
    } | changed
    return services.decide(by=by, screening=screening, **arguments)


# Recording


def test_a_screening_stores_each_answer_the_table_version_and_the_explanation_shown(world, cast):
    row = record(world, cast, rib_fracture="yes", platelets_10e9_per_l=35.5, platelets_20_to_49="unknown",
                 platelets_under_20="unknown")  # fmt: skip
    assert row.table_version == table.current().version
    assert row.answers.get(condition="platelets_10e9_per_l").value == 35500
    assert row.answers.get(condition="rib_fracture").kind == "yes"
    drainage = row.results.get(technique="drainage")
    assert drainage.result == "clinician_must_decide"
    listed = [one["condition"] for one in drainage.explanation["because"]]
    assert set(listed) == {"rib_fracture", "platelets_20_to_49"}
    platelets = drainage.explanation["because"][listed.index("platelets_20_to_49")]
    assert platelets["said"] == "Platelets 20 to 49 \u00d710⁹/L (35.5 \u00d710⁹/L)"
    assert platelets["star"]
    assert row.results.count() == 11


def test_the_age_follows_from_the_birth_date_and_is_never_asked(world, cast):
    row = record(world, cast)
    assert row.answers.get(condition="age_years").value == 68000
    assert row.results.get(technique="head_down_drainage").result == "none_found"


def test_a_new_screening_replaces_the_one_in_force_and_both_stay_readable(world, cast):
    first = record(world, cast)
    second = record(world, cast, at=NOW + HOUR, epistaxis="yes")
    first.refresh_from_db()
    assert first.ended_at == NOW + HOUR
    assert second.replaces == first
    assert first.answers.get(condition="epistaxis").kind == "no"


def test_kept_answers_carry_their_own_time_and_person(world, cast):
    record(world, cast, bullous_emphysema="yes")
    again = record(world, cast, by=cast.lead, at=NOW + 26 * HOUR, answers={"epistaxis": "no"}, keep="all")
    kept = again.answers.get(condition="bullous_emphysema")
    assert (kept.kind, kept.answered_at, kept.answered_by) == ("yes", NOW, cast.therapist)
    assert again.answers.get(condition="epistaxis").answered_at == NOW + 26 * HOUR
    held = selectors.guard(world.mosswater, "pep", NOW + 26 * HOUR, purpose="begin")
    assert "epistaxis" not in held.missing
    assert "acute_sinusitis" in held.missing, "yesterday's answer is not made younger by keeping it"


def test_a_new_number_replaces_the_kept_answers_of_its_rows(world, cast):
    record(world, cast)
    again = record(world, cast, at=NOW + HOUR, answers={"icp_mmhg": 25}, keep="all")
    assert not again.answers.filter(condition="icp_above_20").exists()
    assert again.results.get(technique="mi_e").result == "do_not_start"


@pytest.mark.parametrize(
    ("answers", "field", "words"),
    [
        ({"icp_above_20": "no", "icp_mmhg": 25}, "icp_above_20", "answered no"),
        ({"icp_mmhg": 900}, "icp_mmhg", "outside"),
        ({"no_such_row": "yes"}, "no_such_row", "not a row"),
        ({"epistaxis": "perhaps"}, "epistaxis", "one of its words"),
        (
            {"icp_mmhg": "no_reason_to_measure", "head_or_neck_injury_unstable": "yes"},
            "icp_mmhg",
            "Head or neck injury, not stabilised",
        ),
    ],
)
def test_an_answer_that_cannot_be_so_is_refused_at_its_field(world, cast, answers, field, words):
    with pytest.raises(Refused) as refused:
        record(world, cast, answers=answers)
    assert refused.value.field == field
    assert words in refused.value.message
    assert not Screening.objects.exists()


def test_no_reason_to_measure_counts_as_no_and_names_the_clinician_who_said_so(world, cast):
    row = record(
        world, cast, icp_mmhg="no_reason_to_measure", icp_above_20="unknown", icp_raised_unmonitored="no"
    )
    said = row.answers.get(condition="icp_mmhg")
    assert (said.kind, said.answered_by) == ("no_reason_to_measure", cast.therapist)
    assert row.results.get(technique="mi_e").result == "none_found"


def test_no_reason_to_measure_is_said_only_by_an_account_marked_licensed(world, cast):
    cast.therapist.licensed = False
    with pytest.raises(Refused, match="Only a licensed clinician") as refused:
        record(world, cast, answers={"icp_mmhg": "no_reason_to_measure"})
    assert refused.value.field == "icp_mmhg"
    record(world, cast, answers={"icp_mmhg": "not_measured"})


@pytest.mark.parametrize(
    ("key", "trigger"),
    [
        (number.key, trigger)
        for number in table.current().numbers.values()
        for trigger in number.trigger_conditions
    ],
)
def test_no_reason_to_measure_is_refused_naming_the_trigger_while_one_is_answered_yes(
    world, cast, key, trigger
):
    with pytest.raises(Refused) as refused:
        record(world, cast, answers={key: "no_reason_to_measure", trigger: "yes"})
    assert refused.value.field == key
    assert table.current().conditions[trigger].words in refused.value.message


def test_the_days_over_100_ml_are_not_without_reason_once_more_than_100_ml_came(world, cast):
    given = {"haemoptysis_24h_ml": 150, "haemoptysis_days_over_100_ml": "no_reason_to_measure"}
    with pytest.raises(Refused, match="is over 100 mL") as refused:
        record(world, cast, answers=given)
    assert refused.value.field == "haemoptysis_days_over_100_ml"
    record(world, cast, answers=given | {"haemoptysis_24h_ml": 100})


def test_only_who_looks_after_the_patient_records_a_screening(world, cast):
    for person in (cast.outsider, cast.manager, cast.administrator):
        with pytest.raises(access.NotPermitted):
            record(world, cast, by=person)


def test_recording_over_a_screening_that_was_not_seen_is_refused(world, cast):
    seen = record(world, cast)
    record(world, cast, at=NOW + HOUR)
    with time_machine.travel(NOW + 2 * HOUR, tick=False), pytest.raises(records.Changed):
        services.record_screening(
            by=cast.therapist, patient=world.mosswater, answers=ALL_NO, at=NOW + 2 * HOUR, replacing=seen.pk
        )


def test_a_screening_that_arrives_late_does_not_push_out_the_newer_one(world, cast):
    newer = record(world, cast, epistaxis="yes")
    late = record(world, cast, at=NOW - HOUR)
    newer.refresh_from_db()
    assert newer.ended_at is None
    assert late.ended_at == newer.started_at
    assert selectors.guard(world.mosswater, "pep", NOW - HOUR / 2, purpose="record").allowed
    assert not selectors.guard(world.mosswater, "pep", NOW, purpose="display").allowed


def test_what_arrives_late_keeps_no_answer_that_was_given_only_afterwards(world, cast):
    record(world, cast, at=NOW - 4 * HOUR)
    record(world, cast, epistaxis="yes")
    late = record(world, cast, at=NOW - 2 * HOUR, answers={"haemoptysis_scant": "yes"}, keep="all")
    assert late.answers.get(condition="epistaxis").kind == "no"
    assert not late.answers.filter(answered_at__gt=late.started_at).exists()


def test_a_screening_from_the_future_is_refused(world, cast):
    with pytest.raises(Refused) as refused:
        services.record_screening(
            by=cast.therapist, patient=world.mosswater, answers=ALL_NO, at=NOW + dt.timedelta(seconds=1)
        )
    assert refused.value.field == "at"
    assert not Screening.objects.exists()


@pytest.mark.parametrize(
    ("setting", "minutes", "result"),
    [
        (120, 95, "clinician_must_decide"),
        (120, 119, "clinician_must_decide"),
        (120, 120, "none_found"),
        (90, 95, "none_found"),
    ],
)
def test_the_clinics_wait_after_a_meal_counts_for_head_down_drainage_where_it_is_longer(
    world, cast, setting, minutes, result
):
    """Teaching texts wait 1.5 to 2 h before head-down drainage; the table's 90 min is the least."""
    if setting > 90:
        wait_longer(cast, setting)
    row = record(world, cast, minutes_since_meal=minutes, meal_within_waiting_time="unknown")
    found = selectors.guard(world.mosswater, "head_down_drainage", NOW, purpose="begin")
    assert (found.result, found.allowed) == (result, result == "none_found")
    assert row.results.get(technique="head_down_drainage").result == result
    assert selectors.guard(world.mosswater, "hfcwo", NOW, purpose="begin").allowed, "HFCC policy 2017: 30 min"
    assert not list(results_follow_from_the_answers())
    if result != "none_found":
        assert "within the waiting time" in found.held_because[0]
        decide(row, cast.lead, technique="head_down_drainage")
        assert selectors.guard(world.mosswater, "head_down_drainage", NOW, purpose="begin").allowed


def test_a_treatment_is_judged_by_the_wait_that_held_at_its_time(world, cast):
    record(world, cast, minutes_since_meal=95, meal_within_waiting_time="unknown")
    with time_machine.travel(NOW + HOUR / 2, tick=False):
        wait_longer(cast, 120)
    assert selectors.guard(world.mosswater, "head_down_drainage", NOW, purpose="record").allowed
    assert not selectors.guard(world.mosswater, "head_down_drainage", NOW + HOUR / 2, purpose="begin").allowed


def test_a_screening_is_audited_without_its_answers(world, cast):
    row = record(world, cast, epistaxis="yes")
    event = AuditEvent.objects.get(action="screening recorded")
    assert event.subject_id == str(row.pk)
    assert event.patient_id == world.mosswater.pk
    assert "epistaxis" in event.changed
    assert "yes" not in event.changed


# Holds


def test_a_new_hold_opens_one_flag_and_tells_the_therapist_and_the_lead(world, cast, orders):
    record(world, cast, by=cast.lead, rib_fracture="yes")
    flag = Flag.objects.get()
    assert flag.technique == "mi_e", "rib fracture has no grade for PEP"
    assert flag.due_at == NOW + HOUR
    assert flag.owner == cast.therapist
    assert "Rib fracture" in flag.words
    assert [notice.to for notice in Notice.objects.all()] == [cast.therapist]
    held = selectors.guard(world.mosswater, "mi_e", NOW, purpose="schedule")
    assert (held.who_decides, held.decide_by) == (flag.decides, flag.due_at)


def test_whoever_finds_it_is_not_told_but_the_lead_is(world, cast, orders):
    record(world, cast, rib_fracture="yes")
    assert [notice.to for notice in Notice.objects.all()] == [cast.lead]


def test_the_same_finding_screened_again_opens_no_second_flag(world, cast, orders):
    record(world, cast, rib_fracture="yes")
    record(world, cast, at=NOW + HOUR, rib_fracture="yes")
    assert Flag.objects.count() == 1
    assert Notice.objects.count() == 1


def test_a_flag_closes_when_its_finding_is_gone(world, cast, orders):
    record(world, cast, rib_fracture="yes")
    record(world, cast, at=NOW + HOUR)
    flag = Flag.objects.get()
    assert (flag.state, flag.outcome) == ("closed", "superseded")


def test_nothing_ordered_nothing_held(world, cast):
    record(world, cast, rib_fracture="yes")
    assert not Flag.objects.exists()


def test_holds_are_told_once_however_often_the_job_runs(world, cast, orders):
    row = record(world, cast, rib_fracture="yes")
    decide(row, cast.lead, technique="mi_e", expires_at=NOW + 2 * HOUR)
    assert Flag.objects.get().outcome == "done"
    assert hold_services.tell_all_holds(at=NOW + HOUR) == 0
    assert hold_services.tell_all_holds(at=NOW + 3 * HOUR) == 1, "the decision ran out"
    assert hold_services.tell_all_holds(at=NOW + 3 * HOUR) == 0


def test_no_name_stands_in_flag_notice_or_audit(world, cast, orders):
    record(world, cast, rib_fracture="yes")
    texts = [Flag.objects.get().words, *Notice.objects.values_list("words", flat=True)]
    assert all("mosswater" not in text.lower() for text in texts)


# Decisions


def test_a_decision_lets_the_technique_proceed_until_it_ends(world, cast):
    row = record(world, cast, rib_fracture="yes")
    decision = decide(row, cast.lead, conditions="Stop when it hurts.", stop_below_spo2_percent=88)
    found = selectors.guard(world.mosswater, "drainage", NOW, purpose="begin")
    assert found.allowed
    assert found.decision.id == decision.pk
    assert found.decision.stop_below_spo2_percent == 88
    assert not selectors.guard(world.mosswater, "drainage", NOW + 24 * HOUR, purpose="schedule").allowed


def test_only_a_licensed_account_decides(world, cast):
    row = record(world, cast, rib_fracture="yes")
    cast.therapist.licensed = False
    for person in (cast.therapist, cast.outsider, cast.manager, cast.administrator):
        with pytest.raises(access.NotPermitted):
            decide(row, person)
    assert not Decision.objects.exists()


def test_a_bar_or_an_open_question_cannot_be_decided_away(world, cast):
    row = record(world, cast, rib_fracture="yes", icp_above_20="yes", epistaxis="unknown")
    for technique in ("mi_e", "pep", "incentive_spirometry"):
        expected = {"mi_e": "do not start", "pep": "Incomplete", "incentive_spirometry": None}[technique]
        if expected is None:
            decide(row, cast.lead, technique=technique)
            continue
        with pytest.raises(Refused, match=expected):
            decide(row, cast.lead, technique=technique)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"reason_code": "risk_outweighs"}, "reason_code"),
        ({"reason": "  "}, "reason"),
        ({"expires_at": NOW}, "expires_at"),
        ({"expires_at": NOW + dt.timedelta(days=400)}, "expires_at"),
        ({"stop_below_spo2_percent": 20}, "stop_below_spo2_percent"),
    ],
)
def test_a_decision_names_a_reason_and_an_end(world, cast, changed, field):
    row = record(world, cast, rib_fracture="yes")
    with pytest.raises(Refused) as refused:
        decide(row, cast.lead, **changed)
    assert refused.value.field == field


def test_a_decision_on_a_screening_that_was_replaced_is_refused(world, cast):
    old = record(world, cast, rib_fracture="yes")
    record(world, cast, at=NOW + HOUR, rib_fracture="yes")
    with pytest.raises(records.Changed):
        decide(old, cast.lead, at=NOW + HOUR)


def test_a_later_decision_replaces_the_earlier_one(world, cast):
    row = record(world, cast, rib_fracture="yes")
    first = decide(row, cast.lead)
    second = decide(row, cast.lead, proceed=False, reason_code="wait", at=NOW + HOUR)
    assert second.replaces == first
    found = selectors.guard(world.mosswater, "drainage", NOW + HOUR, purpose="display")
    assert found.bar == "decided_against"


@pytest.mark.parametrize("purpose", ["record", "begin"])
def test_a_decision_that_was_renewed_afterwards_still_counts_for_its_own_time(world, cast, purpose):
    row = record(world, cast, rib_fracture="yes")
    first = decide(row, cast.lead)
    second = decide(row, cast.lead, at=NOW + HOUR / 2)
    for quarters, decision in ((0, first), (1, first), (2, second), (3, second)):
        found = selectors.guard(world.mosswater, "drainage", NOW + quarters * HOUR / 4, purpose=purpose)
        assert (found.allowed, found.decision.id) == (True, decision.pk), quarters


@pytest.mark.parametrize("between", ["no", "unknown"])
def test_a_finding_that_went_and_came_back_wants_a_decision_of_its_own(world, cast, between):
    """Another rib may have broken: a decision is dead once an answer that it weighed has changed."""
    row = record(world, cast, rib_fracture="yes")
    decision = decide(row, cast.lead)
    for minutes, said in ((10, "yes"), (20, between), (30, "yes")):
        later = NOW + dt.timedelta(minutes=minutes)
        record(world, cast, at=later, answers={"rib_fracture": said}, keep="all")
        found = selectors.guard(world.mosswater, "drainage", later, purpose="begin")
        assert found.allowed is (minutes == 10 or said == "no"), minutes
    decision.refresh_from_db()
    assert decision.ended_at == NOW + dt.timedelta(minutes=20)
    assert AuditEvent.objects.filter(action="decision ended", subject_id=str(decision.pk)).count() == 1


def test_a_decision_that_was_replaced_counts_no_longer_from_then_on(world, cast):
    row = record(world, cast, rib_fracture="yes")
    decide(row, cast.lead)
    decide(row, cast.lead, proceed=False, reason_code="wait", at=NOW + HOUR / 2)
    asks = [(world.mosswater.pk, "drainage", NOW + HOUR * part / 4) for part in (1, 2, 3)]
    found = selectors.guards_each(asks, purpose="record")
    assert [found[ask].allowed for ask in asks] == [True, False, False]
    assert found[asks[2]].bar == "decided_against"


def test_an_unchanged_finding_is_not_asked_again_after_a_new_screening(world, cast, orders):
    """Alert fatigue: the decision counts while exactly the answers stand that it weighed."""
    row = record(world, cast, rib_fracture="yes")
    decide(row, cast.lead, technique="mi_e")
    record(world, cast, at=NOW + HOUR, rib_fracture="yes")
    assert selectors.guard(world.mosswater, "mi_e", NOW + HOUR, purpose="begin").allowed
    assert Flag.objects.filter(state="open").count() == 0
    record(world, cast, at=NOW + 2 * HOUR, rib_fracture="yes", lung_contusion="yes")
    assert not selectors.guard(world.mosswater, "mi_e", NOW + 2 * HOUR, purpose="begin").allowed


def test_answers_are_stored_once_each(world, cast):
    row = record(world, cast)
    assert Answer.objects.filter(screening=row).count() == 79


def test_a_flag_ends_when_its_technique_is_not_ordered_any_more(world, cast, orders):
    record(world, cast, rib_fracture="yes")
    ordered.told_by(lambda patients: {})
    hold_services.tell_holds(by=cast.therapist, patient=world.mosswater, at=NOW)
    assert Flag.objects.get().outcome == "void"


def test_looking_for_holds_costs_the_same_queries_for_many_patients(
    world, cast, orders, django_assert_num_queries
):
    for patient in (world.mosswater, world.pebblebrook):
        services.record_screening(
            by=cast.lead, patient=patient, answers=ALL_NO | {"rib_fracture": "yes"}, at=NOW
        )
    with django_assert_num_queries(10):
        assert hold_services.tell_all_holds(at=NOW) == 0
    services.record_screening(
        by=cast.lead, patient=world.thistledown, answers=ALL_NO | {"rib_fracture": "yes"}, at=NOW
    )
    with django_assert_num_queries(10):
        assert hold_services.tell_all_holds(at=NOW) == 0
