"""When each ordered treatment is due, and who gives it when."""

from django.db import models
from django.utils import timezone

from clinic.constraints import NoOverlap
from clinic.ids import new_id
from clinic.records import StateModel


class WindowState(models.TextChoices):
    OPEN = "open", "open"
    FULL = "full", "given in full"
    PART = "part", "given in part"
    NOT_DELIVERED = "not_delivered", "not given"
    CANCELLED = "cancelled", "cancelled"


class ReasonGroup(models.TextChoices):
    PATIENT = "patient", "patient"
    SERVICE = "service", "service"
    CLINICAL = "clinical", "on hold"
    AWAY = "away", "away"
    NOT_RECORDED = "not_recorded", "not recorded"


class DueWindow(StateModel):
    """Earliest and latest start of one ordered treatment; `service_date` is fixed when it is made."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    order = models.ForeignKey("therapy.Order", on_delete=models.PROTECT, related_name="windows")
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="windows")
    technique = models.CharField(max_length=32)
    service_date = models.DateField()
    ordinal = models.PositiveSmallIntegerField()
    earliest = models.DateTimeField()
    latest = models.DateTimeField()
    minutes = models.PositiveSmallIntegerField(help_text="Standard minutes when the window was made.")
    state = models.CharField(max_length=14, choices=WindowState, default=WindowState.OPEN)
    reason_group = models.CharField(max_length=14, choices=ReasonGroup, blank=True)
    reason = models.CharField(max_length=40, blank=True)
    reason_words = models.CharField(max_length=300, blank=True)
    closed_at = models.DateTimeField(null=True)

    class Meta(StateModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["order", "service_date", "ordinal"], name="one_window_per_ordinal"
            ),
            models.CheckConstraint(
                condition=models.Q(latest__gt=models.F("earliest")), name="window_ends_after_start"
            ),
        ]
        indexes = [
            models.Index(fields=["state", "latest"], name="window_state_latest"),
            models.Index(fields=["service_date", "state"], name="window_date_state"),
            models.Index(fields=["patient", "latest"], name="window_patient_latest"),
        ]


class VisitState(models.TextChoices):
    SCHEDULED = "scheduled", "scheduled"
    BEGUN = "begun", "under way"
    DONE = "done", "done"
    CANCELLED = "cancelled", "cancelled"


OCCUPIES = ("scheduled", "begun", "done")


class ScheduledVisit(StateModel):
    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="visits")
    window = models.ForeignKey(DueWindow, on_delete=models.PROTECT, null=True, related_name="visits")
    service_date = models.DateField()
    start = models.DateTimeField()
    end = models.DateTimeField()
    state = models.CharField(max_length=10, choices=VisitState, default=VisitState.SCHEDULED)
    reason = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    class Meta(StateModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=models.Q(end__gt=models.F("start")), name="visit_ends_after_start"
            ),
            models.UniqueConstraint(
                fields=["window"], condition=models.Q(state__in=OCCUPIES), name="one_visit_per_window"
            ),
            NoOverlap(name="visit_patient_no_overlap", group="patient", active=("state", OCCUPIES)),
        ]
        indexes = [models.Index(fields=["service_date", "state"], name="visit_date_state")]


class VisitStaff(StateModel):
    """One therapist of a visit; the visit's times and state are repeated so that the database can refuse an overlap."""

    visit = models.ForeignKey(ScheduledVisit, on_delete=models.PROTECT, related_name="staff")
    person = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="visits")
    start = models.DateTimeField()
    end = models.DateTimeField()
    state = models.CharField(max_length=10, choices=VisitState, default=VisitState.SCHEDULED)
    reason = models.CharField(
        max_length=300,
        blank=True,
        help_text="Why the whole visit was cancelled; blank where only this place was.",
    )

    class Meta(StateModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["visit", "person"], condition=models.Q(state__in=OCCUPIES), name="one_place_per_visit"
            ),
            NoOverlap(name="visit_staff_no_overlap", group="person", active=("state", OCCUPIES)),
        ]
        indexes = [models.Index(fields=["person", "start"], name="visit_staff_person_start")]
