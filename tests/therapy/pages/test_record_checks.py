"""Each check over the records finds nothing in the demo, and finds its row once that is broken."""

from datetime import date, timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connection, models, transaction
from django.db.models import F
from django.utils import timezone

from clinic.ids import new_id
from clinic.models import (
    AccessGrant,
    Assignment,
    AuditEvent,
    CareSettingChange,
    Flag,
    JobRun,
    Measurement,
    MeasurementSet,
    Patient,
    PatientIdentity,
    Person,
    Referral,
    SpO2Scale,
)
from screening.models import Answer, Decision, Lift, LiftSignature, PolicyRule, Screening, TechniqueResult
from therapy.models import (
    DueWindow,
    Order,
    OrderHold,
    Reassessment,
    ScheduledVisit,
    StoredReport,
    TreatmentSession,
    TreatmentStaff,
    TreatmentStop,
    VisitStaff,
)
from therapy.pages.demo.load import load
from therapy.pages.record_checks.registry import checks

DAY = date(2026, 11, 25)
pytestmark = pytest.mark.django_db


def change(rows, **values):
    """Change one row past every guard, as damage would."""
    model = rows.model
    row = rows.order_by("pk").first()
    assert row is not None, f"no {model.__name__} to break"
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # Checks that wait for the end of the transaction would stand in the way of changing the table.
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute(f"ALTER TABLE {model._meta.db_table} DISABLE TRIGGER USER")
    assert models.QuerySet(model).filter(pk=row.pk).update(**values) == 1
    return row


def drop_overlap_guard(name, table):
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            for verb in ("insert", "update"):
                cursor.execute(f"DROP TRIGGER {name}_{verb}")
        else:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute(f"ALTER TABLE {table} DROP CONSTRAINT {name}")


def given():
    return TreatmentSession.objects.filter(delivered="full", ended_at__isnull=False)


def two_visits_at_once():
    drop_overlap_guard("visit_staff_no_overlap", "therapy_visitstaff")
    first, second = VisitStaff.objects.filter(state="done").order_by("pk")[:2]
    change(VisitStaff.objects.filter(pk=second.pk), start=first.start, end=first.end, person=first.person)


def other_patient():
    return Patient.objects.order_by("-created_at", "pk").first()


def a_report_with_another_file():
    StoredReport.objects.create(
        kind="weekly-report",
        period="2026-W40",
        first_day=DAY,
        last_day=DAY,
        revision=1,
        data_as_of="2026-11-25T09:00:00Z",
        input_hash="a" * 64,
        figures={},
        pdf=b"not the file",
        pdf_sha256="b" * 64,
    )


def a_name_in_the_trail():
    identity = PatientIdentity.objects.order_by("pk").first()
    AuditEvent.objects.create(
        action="read", patient_id=identity.pk, reason=f"looked up {identity.family_name}"
    )


def a_treatment_beside_another():
    row = TreatmentStaff.objects.filter(treatment__delivered="full").order_by("pk").first().treatment
    other = given().exclude(pk=row.pk).filter(patient=row.patient_id).order_by("pk").first()
    change(TreatmentSession.objects.filter(pk=other.pk), started_at=row.started_at, ended_at=row.ended_at)


def a_decision_nobody_wanted():
    screening = Screening.objects.filter(ended_at__isnull=True).order_by("pk").first()
    Decision.objects.create(
        screening=screening,
        patient=screening.patient,
        technique="drainage",
        proceed=True,
        reason_code="benefit_outweighs",
        reason="because",
        expires_at=screening.started_at + timedelta(days=1),
        decided_by=Person.objects.get(username="saltmarsh"),
        answers_fingerprint="c" * 64,
    )


def a_lift(**changed):
    screening = Screening.objects.filter(ended_at__isnull=True).order_by("pk").first()
    return Lift.objects.create(
        **{
            "screening": screening,
            "patient": screening.patient,
            "technique": "mi_e",
            "condition": "lung_abscess",
            "answer": "yes",
            "prescriber": "Dr Larkspur",
            "reason": "because",
            "started_at": screening.started_at,
            "expires_at": screening.started_at + timedelta(hours=1),
            "by": screening.by,
        }
        | changed
    )


def a_second_order():
    order = Order.objects.filter(ended_at__isnull=True, draft=False).order_by("pk").first()
    copy = Order.objects.get(pk=order.pk)
    copy.pk, copy.replaces, copy._state.adding = new_id(), None, True
    # The database refuses a second one in force by itself; one that was ended only later is for the check to find.
    copy.ended_at, copy.ended_reason = order.started_at + timedelta(hours=1), "stopped"
    copy.save(force_insert=True)


def leave():
    change(Patient.objects.filter(state="active"), state="discharged")


def a_move_nobody_was_told_of():
    screening = (
        Screening.objects.filter(ended_at__isnull=True, patient__state="active").order_by("pk").first()
    )
    CareSettingChange.objects.create(
        patient=screening.patient, was="acute", now="intensive", at=screening.started_at + timedelta(days=900),
        by=screening.by,
    )  # fmt: skip


def a_stop_nobody_checks_after():
    order = Order.objects.order_by("pk").first()
    TreatmentStop.objects.create(
        patient=order.patient, order=order, technique=order.technique, at=order.started_at, by=order.by
    )


def a_hold_after_a_stop_without_flag():
    order = Order.objects.filter(holds__isnull=True).order_by("pk").first()
    OrderHold.objects.create(
        order=order, reason="Stopped", by=order.by, decides="Dr Burnet", decide_by=order.started_at,
        wants_screening=True,
    )  # fmt: skip


def two_rules_at_once():
    row = PolicyRule.objects.filter(ended_at__isnull=True).order_by("pk").first()
    copy = PolicyRule.objects.get(pk=row.pk)
    copy.pk, copy._state.adding = new_id(), True
    # The database refuses a second one in force by itself; one that was ended only later is for the check to find.
    copy.ended_at, copy.ended_reason = row.started_at + timedelta(hours=1), "ended"
    copy.save(force_insert=True)


BREAKS = {
    "results_follow_from_the_answers": lambda: change(TechniqueResult.objects.all(), result="do_not_start"),
    "answers_are_not_from_the_future": lambda: change(
        Answer.objects.all(), answered_at=F("answered_at") + timedelta(days=900)
    ),
    "decisions_were_wanted": a_decision_nobody_wanted,
    "lifts_lift_judgement_only": lambda: a_lift(condition="vomiting_now"),
    "lifts_are_signed_by_two": lambda: LiftSignature.objects.create(
        lift=a_lift(), part="second", by=Person.objects.get(username="wrenfield")
    ),
    "lifts_follow_the_answer": lambda: a_lift(expires_at=timezone.now() + timedelta(days=1)),
    "doses_are_whole": lambda: change(Order.objects.filter(sets__isnull=False), sets=99),
    "orders_do_not_overlap": a_second_order,
    "windows_belong_to_their_order": lambda: change(DueWindow.objects.all(), service_date=date(2020, 1, 1)),
    "windows_are_whole": lambda: change(
        DueWindow.objects.filter(state="open"), state="not_delivered", closed_at="2026-11-25T09:00:00Z"
    ),
    "windows_follow_each_other": lambda: change(
        DueWindow.objects.filter(state="full"), latest=F("latest") + timedelta(days=3)
    ),
    "visits_do_not_overlap": two_visits_at_once,
    "visits_agree_with_their_parts": lambda: change(VisitStaff.objects.filter(state="done"), state="begun"),
    "identities_agree": lambda: change(Patient.objects.all(), birth_year=1901),
    "nothing_is_in_force_after_leaving": leave,
    "the_assigned_therapist_has_access": lambda: change(
        AccessGrant.objects.filter(
            why="assigned", patient__in=Assignment.objects.filter(ended_at__isnull=True).values("patient")
        ),
        until_at="2026-01-01T00:00:00Z",
    ),
    "emergency_access_ends": lambda: change(AccessGrant.objects.all(), why="emergency"),
    "access_ends_after_it_begins": lambda: change(AccessGrant.objects.all(), until_at="2020-01-01T00:00:00Z"),
    "referrals_are_whole": lambda: change(
        Referral.objects.filter(outcome="not_indicated"), outcome_reason=""
    ),
    "versions_have_no_gap": lambda: change(Measurement.objects.all(), version=3),
    "episodes_end_after_they_start": lambda: change(
        Screening.objects.filter(ended_at__isnull=False), ended_at="2020-01-01T00:00:00Z"
    ),
    "a_replacement_follows_what_it_replaces": lambda: change(
        Order.objects.filter(replaces__isnull=False), started_at="2020-01-01T00:00:00Z"
    ),
    "flags_are_whole": lambda: change(Flag.objects.filter(state="open"), state="closed"),
    "jobs_are_whole": lambda: JobRun.objects.create(kind="any", key="broken", state="done"),
    "stored_reports_are_unchanged": a_report_with_another_file,
    "no_names_outside_identity": a_name_in_the_trail,
    "concerns_wait_under_their_flag": lambda: change(
        Flag.objects.filter(kind="concern", state="open"),
        state="closed",
        outcome="done",
        closed_at="2026-11-25T09:00:00Z",
    ),
    "treatments_belong_together": lambda: change(
        TreatmentSession.objects.all(), service_date=date(2020, 1, 1)
    ),
    "reasons_are_of_the_list": lambda: change(
        TreatmentSession.objects.filter(delivered="not_delivered"), reason="because"
    ),
    "parts_say_how_much": lambda: change(
        TreatmentSession.objects.filter(order__sets__isnull=False), delivered="part", sets_done=None
    ),
    "treatments_end_after_they_start": lambda: change(given(), ended_at="2020-01-01T00:00:00Z"),
    "sputum_is_told_once": lambda: change(
        TreatmentSession.objects.filter(sputum="measured"), sputum="swallowed"
    ),
    "windows_are_what_was_recorded": lambda: change(given(), entered_in_error=True),
    "given_within_the_rules_or_marked": lambda: models.QuerySet(Screening).update(
        started_at="2030-01-01T00:00:00Z"
    ),
    "marked_treatments_are_flagged": lambda: change(given(), outside_rules=True),
    "recorded_overlaps_are_flagged": a_treatment_beside_another,
    "somebody_was_there": lambda: (
        change(TreatmentSession.objects.filter(delivered_by="nurse"), delivered_by="therapist")
        if TreatmentSession.objects.filter(delivered_by="nurse").exists()
        else change(given(), signed_at="2026-11-25T09:00:00Z")
    ),
    "measurements_are_possible": lambda: change(Measurement.objects.all(), value=-7),
    "measured_values_belong_to_their_set": lambda: change(
        Measurement.objects.filter(taken_with__isnull=False, kind="spo2_percent"), oxygen_device=""
    ),
    "forced_tests_were_asked_about": lambda: change(MeasurementSet.objects.all(), kind="forced"),
    "scales_were_decided": lambda: change(SpO2Scale.objects.all(), reason=" "),
    "what_follows_belongs_to_the_same_patient": lambda: change(
        Reassessment.objects.exclude(patient=other_patient()), patient=other_patient()
    ),
    "local_rules_are_stricter": lambda: change(
        PolicyRule.objects.filter(kind="threshold"), value=F("value") + 100_000
    ),
    "local_rules_do_not_overlap": two_rules_at_once,
    "noted_policies_are_kept": lambda: change(Screening.objects.all(), policy_version="0123456789ab"),
    "moves_are_flagged": a_move_nobody_was_told_of,
    "checks_after_a_stop_are_asked_for": a_stop_nobody_checks_after,
    "holds_after_a_stop_are_flagged": a_hold_after_a_stop_without_flag,
    "first_treatments_are_the_first": lambda: change(
        Referral.objects.filter(first_treated_at__isnull=False), first_treated_at=None
    ),
}


@pytest.mark.slow
def test_every_check_finds_nothing_in_the_demo_and_its_row_once_it_is_broken():
    load(day=DAY, small=True)
    every = checks()
    assert {one.name for one in every} == set(BREAKS), "each check is broken once here"
    assert {one.name: list(one.find()) for one in every if list(one.find())} == {}
    for one in every:
        with transaction.atomic():
            BREAKS[one.name]()
            assert list(one.find()), f"{one.name} did not notice"
            transaction.set_rollback(True)


def test_the_command_prints_the_rows_and_ends_with_1(world):
    change(Patient.objects.filter(pk=world.mosswater.pk), birth_year=1901)
    said = StringIO()
    with pytest.raises(SystemExit) as ended:
        call_command("check_records", "--only", "identities_agree", stdout=said)
    assert ended.value.code == 1
    assert str(world.mosswater.pk) in said.getvalue()
    assert "1 of 1 checks found something" in said.getvalue()


def test_the_command_lists_what_it_checks():
    said = StringIO()
    call_command("check_records", "--list", stdout=said)
    assert len(said.getvalue().splitlines()) == len(checks())


@pytest.mark.slow
def test_a_scheduled_visit_needs_somebody():
    load(day=DAY, small=True)
    visit = ScheduledVisit.objects.filter(state="done").order_by("pk").first()
    models.QuerySet(VisitStaff).filter(visit=visit).update(state="cancelled")
    found = [
        one for check in checks() if check.name == "visits_agree_with_their_parts" for one in check.find()
    ]
    assert str(visit.pk) in {one.id for one in found}
