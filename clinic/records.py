"""The five record shapes: how each table may change, and the only functions that change them."""

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar, NoReturn, TypeVar

from django.apps import apps
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models, transaction
from django.utils import timezone

if TYPE_CHECKING:
    from clinic.staff.models import Person


class Refused(ValueError):
    """Input that a service does not take: names the field and says what is allowed."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message


class Changed(Refused):
    """The record was changed by somebody else since it was opened; `current` holds what it is now."""

    def __init__(self, current: models.Model) -> None:
        super().__init__("version", "This record was changed by somebody else since you opened it.")
        self.current = current


class ShapeViolation(RuntimeError):
    """Code tried to change a record in a way that its shape forbids."""


M = TypeVar("M", bound=models.Model)
T = TypeVar("T", bound=models.Model)


class GuardedQuerySet(models.QuerySet[T]):
    """Refuses what the shape of the model forbids; this module goes round it with a plain QuerySet."""

    def update(self, **kwargs: Any) -> int:
        if not getattr(self.model, "may_update", False):
            _refuse(self.model, "update")
        return super().update(**kwargs)

    def bulk_update(self, *args: Any, **kwargs: Any) -> int:
        if not getattr(self.model, "may_update", False):
            _refuse(self.model, "bulk_update")
        return super().bulk_update(*args, **kwargs)

    def delete(self) -> NoReturn:
        _refuse(self.model, "delete")


def _refuse(model: type[models.Model], what: str) -> NoReturn:
    shape = getattr(model, "shape", "unknown")
    raise ShapeViolation(
        f"{what} on {model._meta.label}: its record shape is {shape}. See clinic/records.py."
    )


class Recorded(models.Model):
    """Base of every shape: nothing is deleted, and only what the shape allows is changed."""

    shape: ClassVar[str]
    may_update: ClassVar[bool] = False

    objects = GuardedQuerySet.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding and not self.may_update:
            _refuse(type(self), "save")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        _refuse(type(self), "delete")


class EventModel(Recorded):
    """Insert only."""

    shape = "event"

    class Meta(Recorded.Meta):
        abstract = True


class StateModel(Recorded):
    """Named transitions through services, never deleted; `move` is the compare-and-set."""

    shape = "state"
    may_update = True

    class Meta(Recorded.Meta):
        abstract = True


class SettingModel(Recorded):
    """Editable; the service audits the values before and after."""

    shape = "setting"
    may_update = True

    class Meta(Recorded.Meta):
        abstract = True


class EpisodeModel(Recorded):
    """A change is a new row that replaces the old; both are dated."""

    shape = "episode"

    started_at = models.DateTimeField(default=timezone.now)
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        "clinic.Person", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ended_reason = models.CharField(max_length=500, blank=True)
    replaces = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by"
    )
    created_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta(Recorded.Meta):
        abstract = True


class AmendableModel(Recorded):
    """Holds the current values; `amend` keeps every superseded state."""

    shape = "amendable"

    version = models.PositiveIntegerField(default=1)
    entered_in_error = models.BooleanField(default=False)
    created_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta(Recorded.Meta):
        abstract = True

    @classmethod
    def version_model(cls) -> type[models.Model]:
        """Where superseded states are kept."""
        return apps.get_model("clinic", "RecordVersion")


A = TypeVar("A", bound=AmendableModel)
E = TypeVar("E", bound=EpisodeModel)


def amend(
    row: A, *, by: "Person", reason: str, changes: Mapping[str, Any], expect_version: int, patient: Any = None
) -> A:
    """Change an amendable record, keeping the state it had.

    Args:
        row: the record as it was read.
        changes: field name to new value.
        expect_version: the version on which the change was based.
        patient: whose record it is, for the audit trail; default `row.patient_id`.
    Returns: the record with its new values; unchanged where nothing differs.
    Raises: Changed when somebody else was first; Refused without a reason.
    """
    if not reason.strip():
        raise Refused("reason", "Enter the reason for the change.")
    from clinic.audit import services as audit

    model = type(row)
    unguarded: models.QuerySet[A] = models.QuerySet(model)
    with transaction.atomic():
        current = unguarded.select_for_update().get(pk=row.pk)
        if current.version != expect_version:
            raise Changed(current)
        different = {name: value for name, value in changes.items() if getattr(current, name) != value}
        if not different:
            return current
        model.version_model()(
            subject_type=model._meta.label_lower,
            subject_id=str(current.pk),
            number=current.version,
            values=snapshot(current),
            author=by,
            reason=reason,
        ).save(force_insert=True)
        done = unguarded.filter(pk=row.pk, version=expect_version).update(
            **different, version=expect_version + 1
        )
        if done != 1:
            raise Changed(unguarded.get(pk=row.pk))
        audit.record(
            action="amended",
            by=by,
            subject=current,
            patient=patient or getattr(current, "patient_id", None),
            changed=sorted(different),
            reason=reason,
        )
        return unguarded.get(pk=row.pk)


def end(row: E, *, by: "Person | None", at: datetime, reason: str) -> bool:
    """End an episode. Returns False when it had ended already."""
    unguarded: models.QuerySet[E] = models.QuerySet(type(row))
    ended = unguarded.filter(pk=row.pk, ended_at__isnull=True).update(
        ended_at=at, ended_by=by, ended_reason=reason
    )
    row.refresh_from_db()
    return ended == 1


def replace(old: E, new: E, *, by: "Person", at: datetime, reason: str) -> E:
    """End `old` and start `new` at the same instant, `new` naming what it replaces.

    Raises: Changed when `old` had already ended.
    """
    with transaction.atomic():
        if not end(old, by=by, at=at, reason=reason):
            raise Changed(old)
        new.replaces = old
        new.started_at = at
        new.save(force_insert=True)
    return new


def move(model: type[M], pk: Any, *, frm: tuple[str, ...], to: str, **fields: Any) -> bool:
    """Compare-and-set of a state: True when this call made the transition."""
    return models.QuerySet(model).filter(pk=pk, state__in=frm).update(state=to, **fields) == 1


def snapshot(row: models.Model) -> dict[str, Any]:
    """The row's own columns as plain values, foreign keys as ids."""
    return {
        field.attname: field.value_from_object(row)
        for field in row._meta.concrete_fields
        if not isinstance(field, models.BinaryField)
    }


def shape_of(model: type[models.Model]) -> str | None:
    """The declared shape, or None where a model declares none."""
    return getattr(model, "shape", None)


ENCODER = DjangoJSONEncoder
