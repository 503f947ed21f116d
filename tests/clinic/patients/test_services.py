"""Patients: registering, duplicates, amending, what is in force, leaving the caseload."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.utils import timezone

from clinic.access import NotPermitted, patients_visible_to
from clinic.attention import services as attention
from clinic.audit.models import AuditEvent, RecordVersion
from clinic.models import AccessGrant, Assignment, Flag, IsolationNote, Patient, PatientIdentityVersion
from clinic.patients import followers, selectors, services
from clinic.records import Changed, Refused
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db

OAKAPPLE = {
    "record_number": "204130001", "family_name": "Oakapple", "given_name": "Tam", "birth_date": date(1961, 7, 3),
}  # fmt: skip


def test_a_patient_is_registered_as_referred_with_the_birth_year_apart_from_the_identity(cast: Cast) -> None:
    patient = services.register_patient(by=cast.lead, **OAKAPPLE, sex="male", diagnosis_group="copd")
    assert (patient.state, patient.birth_year, patient.identity.name_sound) == ("referred", 1961, "oakapple")
    row = AuditEvent.objects.get(action="patient registered")
    assert row.patient_id == patient.pk
    assert "Oakapple" not in str(row.__dict__)


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("record_number", {"record_number": "  "}),
        ("family_name", {"family_name": ""}),
        ("given_name", {"given_name": ""}),
        ("birth_date", {"birth_date": date(2999, 1, 1)}),
        ("birth_date", {"birth_date": date(1850, 1, 1)}),
        ("sex", {"sex": "x"}),
        ("diagnosis_group", {"diagnosis_group": "flu"}),
        ("family_name", {"family_name": "a" * 81}),
        ("shoe_size", {"shoe_size": 43}),
    ],
)
def test_what_cannot_be_is_refused_by_the_field(cast: Cast, field: str, changes: dict[str, object]) -> None:
    with pytest.raises(Refused) as refused:
        services.register_patient(by=cast.lead, **{**OAKAPPLE, **changes})  # type: ignore[arg-type]
    assert refused.value.field == field
    assert not Patient.objects.exists()


def test_a_record_number_in_use_is_refused_and_says_whose_it_is(cast: Cast, world: World) -> None:
    with pytest.raises(services.NumberInUse) as refused:
        services.register_patient(by=cast.lead, **{**OAKAPPLE, "record_number": "204118553"})
    assert refused.value.holder.patient == world.mosswater


def test_a_likely_duplicate_is_shown_and_taken_only_with_a_reason(cast: Cast, world: World) -> None:
    same = {**OAKAPPLE, "family_name": "Moswater", "given_name": "Bryn", "birth_date": date(1958, 3, 14)}
    with pytest.raises(services.LikelyDuplicate) as refused:
        services.register_patient(by=cast.lead, **same)
    assert [(one.identity.patient, one.why) for one in refused.value.found] == [
        (world.mosswater, "same birth date, same or similar name")
    ]
    patient = services.register_patient(by=cast.lead, **same, not_the_same_reason="Twin; other number seen.")
    assert AuditEvent.objects.get(action="patient registered", patient_id=patient.pk).reason.startswith(
        "Twin"
    )


@pytest.mark.parametrize("role", ["manager", "administrator"])
def test_only_clinical_people_register_patients(cast: Cast, role: str) -> None:
    with pytest.raises(NotPermitted):
        services.register_patient(by=getattr(cast, role), **OAKAPPLE)


def test_a_corrected_identity_keeps_the_old_one_apart_and_moves_the_birth_year(
    cast: Cast, world: World
) -> None:
    identity = world.mosswater.identity
    services.amend_identity(
        identity,
        by=cast.therapist,
        reason="Spelling on the wristband.",
        changes={"family_name": "Mößwater", "birth_date": date(1959, 3, 14)},
        expect_version=1,
    )
    patient = Patient.objects.get(pk=world.mosswater.pk)
    assert (patient.identity.name_sound, patient.identity.version, patient.birth_year) == (
        "mosswater",
        2,
        1959,
    )
    assert PatientIdentityVersion.objects.get().values["family_name"] == "Mosswater"
    assert not RecordVersion.objects.filter(values__icontains="Mosswater").exists()


def test_a_record_changed_meanwhile_is_not_written_over(cast: Cast, world: World) -> None:
    change = {"by": cast.therapist, "reason": "Moved.", "expect_version": 1}
    services.amend_patient(world.mosswater, changes={"room": "14"}, **change)
    with pytest.raises(Changed) as changed:
        services.amend_patient(world.mosswater, changes={"room": "15"}, **change)
    assert changed.value.current.room == "14"


def test_a_move_needs_no_reason_and_another_diagnosis_does(cast: Cast, world: World) -> None:
    services.amend_patient(world.mosswater, by=cast.therapist, changes={"room": "14"}, expect_version=1)
    moved = Patient.objects.get(pk=world.mosswater.pk)
    with pytest.raises(Refused, match="reason"):
        services.amend_patient(moved, by=cast.therapist, changes={"diagnosis": "COPD"}, expect_version=2)


def test_a_number_of_another_patient_cannot_be_taken_over(cast: Cast, world: World) -> None:
    with pytest.raises(services.NumberInUse):
        services.amend_identity(
            world.mosswater.identity,
            by=cast.lead,
            reason="Typed.",
            changes={"record_number": "204120007"},
            expect_version=1,
        )


def test_nobody_changes_a_patient_they_may_not_open(cast: Cast, world: World) -> None:
    patient = world.mosswater
    for person in (cast.outsider, cast.colleague, cast.manager, cast.administrator):
        for act in (
            lambda by: services.amend_patient(patient, by=by, changes={"room": "1"}, expect_version=1),
            lambda by: services.amend_identity(
                patient.identity, by=by, reason="x", changes={"phone": "1"}, expect_version=1
            ),
            lambda by: services.set_isolation(patient, by=by, kind="contact"),
            lambda by: services.set_goal_of_care(patient, by=by, words="Home."),
            lambda by: services.set_spo2_target(patient, by=by, low_percent=88, high_percent=92),
            lambda by: services.discharge(patient, by=by, reason="x"),
        ):
            with pytest.raises(NotPermitted):
                act(person)


def test_one_isolation_note_is_in_force_and_the_one_before_is_kept(cast: Cast, world: World) -> None:
    first = services.set_isolation(world.mosswater, by=cast.therapist, kind="contact", words="gown, gloves")
    second = services.set_isolation(
        world.mosswater, by=cast.therapist, kind="airborne", reason="Result came."
    )
    first.refresh_from_db()
    assert first.ended_at == second.started_at
    assert second.replaces == first
    assert selectors.banner(world.mosswater).signs == (("Airborne precautions", "look"),)
    services.set_isolation(world.mosswater, by=cast.therapist, kind="standard", reason="Lifted.")
    assert selectors.banner(world.mosswater).signs == ()
    assert IsolationNote.objects.count() == 3


def test_there_is_no_spo2_target_until_someone_sets_one(cast: Cast, world: World) -> None:
    """No silent default (standards of the trade; BTS oxygen guideline 2017: 94 to 98, 88 to 92, or set)."""
    assert selectors.spo2_target(world.mosswater) is None
    services.set_spo2_target(
        world.mosswater, by=cast.therapist, low_percent=88, high_percent=92, stop_below_percent=85
    )
    target = selectors.spo2_target(world.mosswater)
    assert target is not None
    assert (target.low_percent, target.high_percent, target.stop_below_percent) == (88, 92, 85)


@pytest.mark.parametrize(
    ("low", "high", "stop"), [(92, 88, None), (49, 92, None), (88, 101, None), (88, 92, 89)]
)
def test_a_target_that_cannot_be_is_refused(
    cast: Cast, world: World, low: int, high: int, stop: int | None
) -> None:
    with pytest.raises(Refused):
        services.set_spo2_target(
            world.mosswater, by=cast.therapist, low_percent=low, high_percent=high, stop_below_percent=stop
        )


def test_the_goal_of_care_in_force_is_the_last_one_set(cast: Cast, world: World) -> None:
    services.set_goal_of_care(world.mosswater, by=cast.therapist, words="Home by Friday.")
    services.set_goal_of_care(
        world.mosswater, by=cast.lead, words="Comfort.", comfort_only=True, reason="Family talk."
    )
    goal = selectors.goal_of_care(world.mosswater)
    assert goal is not None
    assert goal.words == "Comfort."
    assert ("Comfort care", "look") in selectors.banner(world.mosswater).signs


def test_a_discharge_ends_assignment_access_and_flags_and_tells_the_parts_on_the_right(
    cast: Cast, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[followers.PatientLeft] = []
    monkeypatch.setattr(followers, "_followers", [told.append])
    attention.open_flag(
        kind="reassess", key="r", words="Look.", due_at=timezone.now(), patient=world.mosswater, by=None
    )
    services.discharge(world.mosswater, by=cast.therapist, reason="Went home.")
    patient = Patient.objects.get(pk=world.mosswater.pk)
    assert patient.state == "discharged"
    assert [(event.how, event.patient) for event in told] == [("discharged", patient)]
    assert not Assignment.objects.filter(patient=patient, ended_at__isnull=True).exists()
    assert patient not in patients_visible_to(cast.therapist)
    assert (Flag.objects.get().state, Flag.objects.get().outcome) == ("closed", "discharged")


def test_an_error_on_the_right_undoes_the_whole_discharge(
    cast: Cast, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(event: followers.PatientLeft) -> None:
        raise RuntimeError("orders did not stop")

    monkeypatch.setattr(followers, "_followers", [broken])
    with pytest.raises(RuntimeError):
        services.discharge(world.mosswater, by=cast.lead, reason="Went home.")
    assert Patient.objects.get(pk=world.mosswater.pk).state == "active"


def test_a_death_is_recorded_once_and_nobody_is_taken_on_again_after_it(cast: Cast, world: World) -> None:
    services.record_death(world.mosswater, by=cast.lead, at=datetime(2026, 1, 1, tzinfo=UTC))
    with pytest.raises(Refused):
        services.record_death(world.mosswater, by=cast.lead)
    with pytest.raises(Refused):
        services.activate(world.mosswater, by=cast.lead, reason="Referral.")


def test_leaving_in_the_future_or_without_a_reason_is_refused(cast: Cast, world: World) -> None:
    with pytest.raises(Refused):
        services.discharge(world.mosswater, by=cast.lead, reason=" ")
    with pytest.raises(Refused):
        services.discharge(world.mosswater, by=cast.lead, reason="x", at=timezone.now() + timedelta(days=1))


def test_access_that_was_granted_stays_in_the_table_after_it_ended(cast: Cast, world: World) -> None:
    before = AccessGrant.objects.count()
    services.discharge(world.mosswater, by=cast.lead, reason="Went home.")
    assert AccessGrant.objects.count() == before
