"""Screenings, their answers and results, and the decisions bound to them."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import ENCODER, EpisodeModel, EventModel
from screening.lifts.models import Lift, LiftSignature
from screening.numbers.models import ForcedTestCheck
from screening.policy.models import PolicyRule, PolicyVersion

__all__ = [
    "Answer",
    "AnswerKind",
    "Decision",
    "ForcedTestCheck",
    "Lift",
    "LiftSignature",
    "PolicyRule",
    "PolicyVersion",
    "Screening",
    "TechniqueResult",
]


class Screening(EpisodeModel):
    """One dated set of answers. The newest that has not ended is the one in force."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="screenings")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(
        max_length=200, blank=True, help_text="Why it was done: first, new condition, bedside check."
    )
    table_version = models.CharField(max_length=20)
    policy_version = models.CharField(max_length=20, blank=True)
    whole_at = models.DateTimeField(
        null=True,
        blank=True,
        help_text="When all of it was last gone through; a bedside check or a finding carries it over.",
    )

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["patient"], condition=models.Q(ended_at__isnull=True), name="one_screening_in_force"
            )
        ]
        indexes = [models.Index(fields=["patient", "started_at"], name="screening_patient_at")]


class AnswerKind(models.TextChoices):
    YES = "yes", "yes"
    NO = "no", "no"
    UNKNOWN = "unknown", "unknown"
    VALUE = "value", "value"
    NOT_MEASURED = "not_measured", "wanted, not measured"
    NO_REASON = "no_reason_to_measure", "no reason to measure"


class Answer(EventModel):
    """One single answer. `answered_at` is when it was asked, which may be before the screening that carries it."""

    screening = models.ForeignKey(Screening, on_delete=models.PROTECT, related_name="answers")
    condition = models.CharField(max_length=60)
    kind = models.CharField(max_length=24, choices=AnswerKind)
    value = models.IntegerField(null=True, help_text="In thousandths of the condition's unit.")
    answered_at = models.DateTimeField(default=timezone.now)
    answered_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    by_group = models.BooleanField(default=False, help_text='Given by "I checked these, none apply".')
    unusual_reason = models.CharField(
        max_length=200, blank=True, help_text="Why a value outside the usual range is right."
    )

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["screening", "condition"], name="one_answer_per_condition"),
            AppendOnly(name="answer_append_only"),
        ]


class TechniqueResult(EventModel):
    """The result of one technique as it was shown, with its explanation."""

    screening = models.ForeignKey(Screening, on_delete=models.PROTECT, related_name="results")
    technique = models.CharField(max_length=32)
    result = models.CharField(max_length=24)
    explanation = models.JSONField(encoder=ENCODER)

    class Meta(EventModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["screening", "technique"], name="one_result_per_technique"),
            AppendOnly(name="technique_result_append_only"),
        ]


class Decision(EpisodeModel):
    """A licensed clinician's documented choice on "clinician must decide"."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    screening = models.ForeignKey(Screening, on_delete=models.PROTECT, related_name="decisions")
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="decisions")
    technique = models.CharField(max_length=32)
    proceed = models.BooleanField()
    reason_code = models.CharField(max_length=40)
    reason = models.CharField(max_length=500)
    conditions = models.CharField(max_length=500, blank=True)
    stop_below_spo2_percent = models.PositiveSmallIntegerField(null=True, blank=True)
    expires_at = models.DateTimeField()
    decided_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    answers_fingerprint = models.CharField(
        max_length=64, help_text="Of the answers it weighed; another set needs another decision."
    )

    class Meta(EpisodeModel.Meta):
        indexes = [
            models.Index(fields=["patient", "technique", "expires_at"], name="decision_patient_technique")
        ]
