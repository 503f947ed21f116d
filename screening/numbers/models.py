"""That the list of forced breathing tests was asked before one, by whom, and who decided where it found something."""

from django.db import models
from django.utils import timezone

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import ENCODER, EventModel


class ForcedTestCheck(EventModel):
    """The answers to the list before one forced breathing test, with the decision where one was wanted."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    patient = models.ForeignKey("clinic.Patient", on_delete=models.PROTECT, related_name="forced_test_checks")
    taken_with = models.OneToOneField(
        "clinic.MeasurementSet", on_delete=models.PROTECT, related_name="forced_check"
    )
    list_version = models.CharField(max_length=20)
    answers = models.JSONField(encoder=ENCODER)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, related_name="+")
    decided_by = models.ForeignKey("clinic.Person", on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=500, blank=True)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="forced_test_check_append_only")]
