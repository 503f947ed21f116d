"""Safety concerns: what somebody saw go wrong, or nearly, on which page; and what was done about it."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import EventModel
from clinic.staff.roles import Role


class Harmed(models.TextChoices):
    YES = "yes", "yes"
    NO = "no", "no"
    UNKNOWN = "unknown", "not known"


class WhatKind(models.TextChoices):
    WRONG_PATIENT = "wrong_patient", "wrong or mixed-up patient"
    WRONG_RULE = "wrong_rule", "a rule, limit or figure is wrong"
    MISSING = "missing", "something is missing or came late"
    MISREAD = "misread", "easy to misread or to press wrongly"
    LOST = "lost", "an entry was lost or stands twice"
    ACCESS = "access", "somebody saw what they should not"
    OTHER = "other", "something else"


class SafetyConcern(EventModel):
    """One report. The patient is known by the page only; the words hold no name."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="safety_concerns")
    role = models.CharField(max_length=20, choices=Role.choices)
    page = models.CharField(max_length=200, blank=True, help_text="Address, without query and secrets.")
    page_name = models.CharField(max_length=80, blank=True, help_text="The URL's name.")
    app_version = models.CharField(max_length=20)
    patient = models.ForeignKey(
        "clinic.Patient", on_delete=models.PROTECT, null=True, related_name="safety_concerns"
    )
    words = models.CharField(max_length=2000)
    kind = models.CharField(max_length=16, choices=WhatKind, blank=True)
    harmed = models.CharField(max_length=8, choices=Harmed, default=Harmed.UNKNOWN)
    severity = models.PositiveSmallIntegerField(
        null=True, help_text="1 minor to 5 catastrophic; how bad it could be."
    )
    request_id = models.CharField(max_length=40, blank=True)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="safety_concern_append_only")]
        indexes = [models.Index(fields=["at"], name="safety_concern_at")]


class ConcernAnswer(EventModel):
    """What was done about a concern; the one answer that closes its flag."""

    concern = models.OneToOneField(SafetyConcern, on_delete=models.PROTECT, related_name="answer")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    words = models.CharField(max_length=2000)
    at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="concern_answer_append_only")]
