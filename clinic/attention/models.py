"""What someone must look at (flags) and what someone was told (notices, and words by telephone or in person)."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import EventModel, StateModel


class FlagKind(models.TextChoices):
    REASSESS = "reassess", "reassessment overdue"
    DECIDE = "decide", "clinician must decide"
    OUTSIDE_RULES = "outside_rules", "given outside the rules"
    OVERLAP = "overlap", "recorded times overlap"
    CO_SIGN = "co_sign", "to co-sign"
    CHECK_ENTRY = "check_entry", "check this entry"
    JOB_FAILED = "job_failed", "a job failed"
    SAFETY = "safety", "adverse event to review"
    SCREEN_AGAIN = "screen_again", "screen again"
    RECHECK = "recheck", "check again after a stop"
    CONCERN = "concern", "safety concern to answer"


class FlagState(models.TextChoices):
    OPEN = "open", "open"
    PUT_OFF = "put_off", "put off"
    CLOSED = "closed", "closed"


class Flag(StateModel):
    """Needs attention: with owner and due time, until closed by its outcome."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=20, choices=FlagKind)
    key = models.CharField(max_length=160, unique=True, help_text="What makes opening it twice one flag.")
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, null=True, related_name="flags")
    owner = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="flags")
    decides = models.CharField(max_length=120, blank=True, help_text="Who must decide, in words.")
    technique = models.CharField(max_length=32, blank=True)
    subject_type = models.CharField(max_length=80, blank=True)
    subject_id = models.CharField(max_length=40, blank=True)
    words = models.CharField(max_length=500)
    state = models.CharField(max_length=10, choices=FlagState, default=FlagState.OPEN)
    opened_at = models.DateTimeField(default=timezone.now)
    due_at = models.DateTimeField()
    put_off_until = models.DateTimeField(null=True, blank=True)
    put_off_reason = models.CharField(max_length=500, blank=True)
    outcome = models.CharField(max_length=20, blank=True)
    outcome_words = models.CharField(max_length=500, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(StateModel.Meta):
        indexes = [
            models.Index(fields=["state", "kind", "due_at"], name="flag_state_kind_due"),
            models.Index(fields=["patient", "state"], name="flag_patient_state"),
        ]


class Notice(EventModel):
    """One person was told something: a new hold, emergency access, a hand-over note."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=20)
    to = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="notices")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, null=True, related_name="notices")
    flag = models.ForeignKey(Flag, on_delete=models.PROTECT, null=True, related_name="notices")
    words = models.CharField(max_length=1000)
    at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="notice_append_only")]
        indexes = [models.Index(fields=["to", "at"], name="notice_to_at")]


class NoticeAnswer(EventModel):
    """That a notice was read, and what was said."""

    notice = models.OneToOneField(Notice, on_delete=models.PROTECT, related_name="answer")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    words = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField(default=timezone.now)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="notice_answer_append_only")]


class ToldHow(models.TextChoices):
    PHONE = "phone", "by telephone"
    IN_PERSON = "in_person", "in person"
    MESSAGE = "message", "by message"


class Told(EventModel):
    """That somebody was told outside the app, with or without an account here: who, how, when, and what they said."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="told")
    flag = models.ForeignKey(Flag, on_delete=models.PROTECT, null=True, related_name="told")
    technique = models.CharField(max_length=32, blank=True)
    subject_type = models.CharField(max_length=80, blank=True)
    subject_id = models.CharField(max_length=40, blank=True)
    who = models.CharField(max_length=120, help_text="Name and what they do, like: Dr Larkspur, on call.")
    how = models.CharField(max_length=10, choices=ToldHow)
    at = models.DateTimeField(default=timezone.now)
    said = models.CharField(max_length=500, help_text="What they said; that nobody answered is said too.")
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="told_append_only")]
        indexes = [models.Index(fields=["patient", "technique", "at"], name="told_patient_technique")]
