"""Every table declares how it may change, and nothing goes round it."""

import pytest
from django.apps import apps
from django.db import connection, models
from django.db.utils import DatabaseError

from clinic import records
from clinic.models import AuditEvent, PatientIdentityVersion, RecordVersion

OURS = [model for model in apps.get_models() if model._meta.app_label in {"clinic", "screening", "therapy"}]


def test_every_table_declares_one_of_the_five_shapes() -> None:
    shapes = {"event", "state", "episode", "amendable", "setting"}
    assert len(OURS) > 30
    assert {
        model._meta.label: records.shape_of(model) for model in OURS if records.shape_of(model) not in shapes
    } == {}


def test_no_table_can_be_deleted_from_nor_a_closed_shape_updated(world) -> None:
    for model in OURS:
        with pytest.raises(records.ShapeViolation):
            model.objects.all().delete()
        with pytest.raises(records.ShapeViolation):
            model().delete()
        if model.shape in {"event", "episode", "amendable"}:
            with pytest.raises(records.ShapeViolation):
                model.objects.all().update(pk=1)
            with pytest.raises(records.ShapeViolation):
                model.objects.bulk_update([], ["pk"])
            row = model()
            row._state.adding = False
            with pytest.raises(records.ShapeViolation):
                row.save()


def test_no_foreign_key_takes_a_record_down_with_another() -> None:
    for model in OURS:
        for field in model._meta.concrete_fields:
            if isinstance(field, models.ForeignKey):
                assert field.remote_field.on_delete is models.PROTECT, f"{model._meta.label}.{field.name}"


def test_an_amendment_keeps_the_older_state_readable_with_author_and_reason(cast, world) -> None:
    amended = records.amend(
        world.mosswater, by=cast.therapist, reason="Moved.", changes={"room": "14"}, expect_version=1
    )
    assert (amended.room, amended.version) == ("14", 2)
    kept = RecordVersion.objects.get(subject_type="clinic.patient", subject_id=str(world.mosswater.pk))
    assert (kept.values["room"], kept.number, kept.author, kept.reason) == ("12", 1, cast.therapist, "Moved.")
    audited = AuditEvent.objects.get(action="amended", patient_id=world.mosswater.pk)
    assert (audited.changed, audited.actor_id) == (["room"], cast.therapist.pk)


def test_saving_over_a_record_changed_since_it_was_opened_is_refused(cast, world) -> None:
    records.amend(
        world.mosswater, by=cast.therapist, reason="Moved.", changes={"room": "14"}, expect_version=1
    )
    with pytest.raises(records.Changed) as refusal:
        records.amend(
            world.mosswater, by=cast.lead, reason="Moved.", changes={"room": "15"}, expect_version=1
        )
    assert refusal.value.current.room == "14"


def test_an_amendment_without_a_reason_is_refused_and_one_without_a_difference_makes_no_version(
    cast, world
) -> None:
    with pytest.raises(records.Refused, match="reason"):
        records.amend(world.mosswater, by=cast.lead, reason=" ", changes={"room": "15"}, expect_version=1)
    same = records.amend(
        world.mosswater, by=cast.lead, reason="Checked.", changes={"room": "12"}, expect_version=1
    )
    assert same.version == 1
    assert not RecordVersion.objects.exists()


def test_names_of_patients_are_kept_in_the_identity_versions_only(cast, world) -> None:
    records.amend(
        world.mosswater.identity,
        by=cast.lead,
        reason="Spelling.",
        changes={"given_name": "Brynn"},
        expect_version=1,
    )
    assert PatientIdentityVersion.objects.get().values["given_name"] == "Bryn"
    assert not RecordVersion.objects.exists()


def test_the_database_itself_refuses_to_change_an_audit_row(cast) -> None:
    if connection.vendor != "postgresql":
        pytest.skip("on SQLite clinic/records.py alone stands guard")
    from clinic.audit import services as audit

    row = audit.record(action="read", by=cast.lead, subject="/patients/")
    with pytest.raises(DatabaseError, match="append only"), connection.cursor() as cursor:
        cursor.execute("UPDATE clinic_auditevent SET action = 'nothing' WHERE id = %s", [row.pk])
