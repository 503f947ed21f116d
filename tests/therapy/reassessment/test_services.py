"""Recording a reassessment, and the flags of those that are overdue."""

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone

from clinic import records
from clinic.access import NotPermitted
from clinic.attention.models import Flag
from clinic.models import AuditEvent, Patient
from clinic.patients import services as patients
from clinic.records import Refused
from tests.conftest import NOW
from therapy.orders.models import Order
from therapy.reassessment import selectors, services
from therapy.reassessment.models import Reassessment

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def frozen():
    with time_machine.travel(NOW, tick=False):
        yield


def order(patient, by, hours_ago, technique="oscillating_pep", **fields):
    return Order.objects.create(
        patient=patient, technique=technique, source="written", prescriber="Dr Alder", by=by, times_a_day=3,
        started_at=NOW - timedelta(hours=hours_ago), **fields,
    )  # fmt: skip


def reassess(patient, by, *, hours_ago=0, outcome="continue", **fields):
    return services.record(
        by=by, patient=patient, at=NOW - timedelta(hours=hours_ago), outcome=outcome,
        findings="Clears well alone.", **fields,
    )  # fmt: skip


def run(now=NOW):
    return services.open_overdue_flags(now=now)


def test_an_overdue_reassessment_opens_one_flag_for_the_assigned_therapist(world, cast):
    order(world.mosswater, cast.lead, 73)
    order(world.pebblebrook, cast.lead, 72)
    assert run().opened == 1
    flag = Flag.objects.get()
    assert (flag.patient, flag.owner, flag.kind) == (world.mosswater, cast.therapist, "reassess")
    assert flag.due_at == NOW - timedelta(hours=1)
    assert "Mosswater" not in flag.words


def test_a_second_run_changes_nothing(world, cast):
    order(world.mosswater, cast.lead, 100)
    run()
    audited = AuditEvent.objects.count()
    assert run() == services.Flagged(0, 0)
    assert (Flag.objects.count(), AuditEvent.objects.count()) == (1, audited)


def test_a_run_that_was_lost_is_caught_up_by_the_next(world, cast):
    order(world.mosswater, cast.lead, 100)
    order(world.pebblebrook, cast.lead, 90)
    assert run(NOW + timedelta(days=3)).opened == 2


def test_a_reassessment_closes_the_flag_and_says_how_late_it_was(world, cast):
    order(world.mosswater, cast.lead, 73)
    run()
    row = reassess(world.mosswater, cast.therapist, outcome="step_up")
    flag = Flag.objects.get()
    assert (flag.state, flag.outcome, flag.closed_by) == ("closed", "done", cast.therapist)
    assert row.due_at == NOW - timedelta(hours=1)
    assert selectors.due_of_patient(world.mosswater, NOW).due_at == NOW + timedelta(hours=72)
    assert AuditEvent.objects.filter(action="reassessed", patient_id=world.mosswater.pk).count() == 1


@pytest.mark.parametrize(("state", "outcome"), [("died", "died"), ("discharged", "discharged")])
def test_a_flag_of_a_patient_who_left_closes_by_what_happened(world, cast, state, outcome):
    order(world.mosswater, cast.lead, 100)
    run()
    records.amend(world.mosswater, by=cast.lead, reason="left", changes={"state": state}, expect_version=1)
    assert run() == services.Flagged(0, 1)
    assert Flag.objects.get().outcome == outcome


def test_without_an_order_in_force_the_flag_is_void(world, cast):
    row = order(world.mosswater, cast.lead, 100)
    run()
    records.end(row, by=cast.lead, at=NOW, reason="stopped")
    assert run() == services.Flagged(0, 1)
    assert Flag.objects.get().outcome == "void"


def test_a_reassessment_struck_as_entered_in_error_brings_the_flag_back(world, cast):
    order(world.mosswater, cast.lead, 100)
    run()
    row = reassess(world.mosswater, cast.therapist)
    services.correct(
        by=cast.therapist,
        row=row,
        changes={"entered_in_error": True},
        reason="wrong patient",
        expect_version=1,
    )
    assert run().opened == 1
    assert run() == services.Flagged(0, 0)
    assert Flag.objects.filter(state="open").count() == 1


def test_a_changed_order_does_not_postpone_the_reassessment(world, cast):
    first = order(world.mosswater, cast.lead, 80)
    second = Order(
        patient=world.mosswater, technique="pep", source="written", prescriber="Dr Alder", by=cast.lead
    )
    records.replace(first, second, by=cast.lead, at=NOW - timedelta(hours=10), reason="other device")
    assert selectors.due_of_patient(world.mosswater, NOW).due_at == NOW - timedelta(hours=8)


def test_a_draft_is_never_due(world, cast):
    order(world.mosswater, cast.lead, 100, draft=True)
    assert run().opened == 0


def test_a_move_to_intensive_care_is_read_from_the_patients_record(world, cast):
    from clinic.models import Unit

    order(world.mosswater, cast.lead, 60)
    intensive = Unit.objects.create(name="Intensive care", care_setting="intensive")
    records.amend(
        world.mosswater, by=cast.lead, reason="moved", changes={"unit_id": intensive.pk}, expect_version=1
    )
    due = selectors.due_of_patient(Patient.objects.get(pk=world.mosswater.pk), NOW)
    assert (due.overdue, due.care_setting) == (True, "intensive")
    assert due.due_at == NOW - timedelta(hours=12)


def test_pressing_twice_records_once(world, cast, some_id):
    order(world.mosswater, cast.lead, 10)
    first = reassess(world.mosswater, cast.therapist, reassessment_id=some_id)
    second = reassess(world.mosswater, cast.therapist, reassessment_id=some_id)
    assert first == second
    assert Reassessment.objects.count() == 1


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"outcome": "wonder"}, "outcome"),
        ({"findings": "  "}, "findings"),
        ({"findings": "x" * 1001}, "findings"),
        ({"at": NOW + timedelta(minutes=1)}, "at"),
    ],
)
def test_what_is_wrong_is_refused_by_its_field(world, cast, changes, field):
    given = {"at": NOW, "outcome": "continue", "findings": "Same as before."} | changes
    with pytest.raises(Refused) as refused:
        services.record(by=cast.therapist, patient=world.mosswater, **given)
    assert refused.value.field == field


def test_only_who_treats_the_patient_records(world, cast):
    with pytest.raises(NotPermitted):
        reassess(world.mosswater, cast.manager)
    with pytest.raises(Refused, match="no access"):
        reassess(world.mosswater, cast.outsider)


def test_on_time_counts_what_fell_due_and_what_is_still_missing(world, cast):
    for patient, hours in ((world.mosswater, 100), (world.pebblebrook, 100), (world.thistledown, 10)):
        order(patient, cast.lead, hours)
    reassess(world.mosswater, cast.therapist, hours_ago=28, outcome="stop")
    found = selectors.on_time(
        Patient.objects.all(), start=NOW - timedelta(days=2), end=NOW + timedelta(days=1), now=NOW
    )
    assert (found.due, found.on_time, found.late, found.still_overdue) == (2, 1, 0, 1)
    assert found.outcomes == {"stop": 1}


def test_how_many_queries_it_takes_does_not_depend_on_how_many_patients(
    world, cast, django_assert_max_num_queries
):
    order(world.mosswater, cast.lead, 100)
    with django_assert_max_num_queries(9):
        selectors.due_of(Patient.objects.all(), timezone.now())
    for patient in (world.pebblebrook, world.thistledown):
        order(patient, cast.lead, 100)
        reassess(patient, cast.lead, hours_ago=3)
    with django_assert_max_num_queries(9):
        assert len(selectors.due_of(Patient.objects.all(), timezone.now())) == 3


def test_a_patient_without_a_unit_is_due_by_the_strictest_interval(world, cast):
    order(world.mosswater, cast.lead, 49)
    records.amend(world.mosswater, by=cast.lead, reason="left", changes={"unit_id": None}, expect_version=1)
    assert run().opened == 1
    flag = Flag.objects.get()
    assert flag.due_at == NOW - timedelta(hours=1)
    assert "no unit is recorded" in flag.words


def test_who_was_overdue_then_is_told_so_later_whatever_became_of_the_patient(world, cast):
    order(world.mosswater, cast.lead, 100)
    patients.discharge(world.mosswater, by=cast.lead, reason="gone home", at=NOW - timedelta(hours=2))
    everyone = Patient.objects.all()
    assert [number for number, _ in selectors.overdue_by_number(everyone, NOW - timedelta(hours=3))] == [
        "204118553"
    ]
    assert selectors.overdue_by_number(everyone, NOW - timedelta(hours=2)) == []
    assert selectors.overdue_by_number(everyone, NOW) == []


def correct(row, by, **changes):
    return services.correct(by=by, row=row, changes=changes, reason="mistyped", expect_version=row.version)


def test_a_correction_is_refused_to_whoever_may_not_open_the_patient(world, cast):
    row = reassess(world.mosswater, cast.therapist)
    with pytest.raises(Refused, match="no access"):
        correct(row, cast.outsider, entered_in_error=True)
    with pytest.raises(NotPermitted):
        correct(row, cast.manager, entered_in_error=True)
    row.refresh_from_db()
    assert (row.version, row.entered_in_error) == (1, False)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"outcome": "wonder"}, "outcome"),
        ({"findings": " "}, "findings"),
        ({"findings": "x" * 1001}, "findings"),
        ({"at": NOW + timedelta(minutes=1)}, "at"),
    ],
)
def test_a_correction_is_held_to_what_a_new_reassessment_is(world, cast, changes, field):
    row = reassess(world.mosswater, cast.therapist)
    with pytest.raises(Refused) as refused:
        correct(row, cast.therapist, **changes)
    assert refused.value.field == field
    assert correct(row, cast.therapist, findings=" Clears less. ").findings == "Clears less."


def test_a_correction_names_no_order_of_another_patient(world, cast):
    row = reassess(world.mosswater, cast.therapist)
    with pytest.raises(Refused, match="of this patient"):
        correct(row, cast.therapist, order=order(world.pebblebrook, cast.lead, 10))
