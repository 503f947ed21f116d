"""The people of the service, when they are present, and what they are trained for."""

from typing import Any, ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models

from clinic.constraints import NoOverlap
from clinic.records import GuardedQuerySet, SettingModel
from clinic.staff.roles import Role


class Profession(models.TextChoices):
    THERAPIST = "therapist", "therapist"
    ASSISTANT = "assistant", "assistant"
    STUDENT = "student", "student"
    OTHER = "other", "other"


class People(BaseUserManager.from_queryset(GuardedQuerySet)):  # type: ignore[misc]  # a class made at run time
    def create_person(self, username: str, password: str | None = None, **fields: Any) -> "Person":
        person: Person = self.model(username=username, **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person


class Person(AbstractBaseUser, SettingModel):
    """An account: one person, one role."""

    username = models.CharField(max_length=60, unique=True)
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    role = models.CharField(max_length=20, choices=Role)
    profession = models.CharField(max_length=20, choices=Profession, default=Profession.THERAPIST)
    licensed = models.BooleanField(default=False, help_text="May document decisions and prescribe.")
    is_active = models.BooleanField(default=True)
    phone = models.CharField(max_length=40, blank=True)

    objects: ClassVar[People] = People()

    USERNAME_FIELD = "username"
    REQUIRED_FIELDS = ["given_name", "family_name", "role"]

    class Meta(SettingModel.Meta):
        ordering = ["family_name", "given_name", "id"]

    def __str__(self) -> str:
        return f"{self.given_name[:1]}. {self.family_name}"


class ShiftState(models.TextChoices):
    PLANNED = "planned", "planned"
    CANCELLED = "cancelled", "cancelled"


class Shift(SettingModel):
    """When a person is present."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="shifts")
    start = models.DateTimeField()
    end = models.DateTimeField()
    break_start = models.DateTimeField(null=True, blank=True)
    break_end = models.DateTimeField(null=True, blank=True)
    state = models.CharField(max_length=10, choices=ShiftState, default=ShiftState.PLANNED)

    class Meta(SettingModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=models.Q(end__gt=models.F("start")), name="shift_ends_after_start"
            ),
            NoOverlap(name="shift_no_overlap", group="person", active=("state", ("planned",))),
        ]
        indexes = [models.Index(fields=["start"], name="shift_start")]


class AbsenceReason(models.TextChoices):
    SICK = "sick", "off sick"
    LEAVE = "leave", "on leave"
    TRAINING = "training", "training or meeting"
    OTHER = "other", "other"


class Absence(SettingModel):
    """When a person who has a shift is not there."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="absences")
    start = models.DateTimeField()
    end = models.DateTimeField()
    reason = models.CharField(max_length=10, choices=AbsenceReason)
    words = models.CharField(max_length=200, blank=True)
    cancelled = models.BooleanField(default=False)

    class Meta(SettingModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=models.Q(end__gt=models.F("start")), name="absence_ends_after_start"
            ),
        ]
        indexes = [models.Index(fields=["end"], name="absence_end")]


class Competency(SettingModel):
    """That a person is trained for a technique, for a time."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="competencies")
    technique = models.CharField(max_length=32)
    valid_from = models.DateField()
    valid_until = models.DateField(null=True, blank=True)

    class Meta(SettingModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["person", "technique", "valid_from"], name="one_competency_per_start"
            )
        ]


class StandardMinutes(SettingModel):
    """True minutes of a treatment by technique, and of a task (set-up, gown, notes, travel)."""

    TECHNIQUE, TASK = "technique", "task"
    kind = models.CharField(max_length=10, choices=[(TECHNIQUE, "technique"), (TASK, "task")])
    name = models.CharField(max_length=32)
    minutes = models.PositiveSmallIntegerField()
    source = models.CharField(max_length=200, blank=True)

    class Meta(SettingModel.Meta):
        constraints = [models.UniqueConstraint(fields=["kind", "name"], name="one_standard_per_name")]
