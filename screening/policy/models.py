"""The clinic's local rules, each an episode, and the sets of rules under which screenings were made."""

from django.db import models
from django.db.models import Q

from clinic.constraints import AppendOnly
from clinic.ids import new_id
from clinic.records import ENCODER, EpisodeModel, EventModel


class PolicyKind(models.TextChoices):
    CELL = "cell", "a contraindication for one technique"
    THRESHOLD = "threshold", "from which value a number counts"
    SHELF_LIFE = "shelf_life", "how long an answer counts"


class PolicyRule(EpisodeModel):
    """One thing that is stricter here than in the rule table. It holds from the moment at which it is saved."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=12, choices=PolicyKind)
    condition = models.CharField(max_length=60, blank=True)
    technique = models.CharField(max_length=32, blank=True, help_text="Empty on a threshold: for all.")
    number = models.CharField(max_length=60, blank=True)
    life = models.CharField(max_length=12, blank=True)
    grade = models.CharField(max_length=1, blank=True)
    value = models.IntegerField(null=True, blank=True, help_text="In thousandths of the number's unit.")
    minutes = models.PositiveIntegerField(null=True, blank=True)
    reason = models.CharField(max_length=300)
    by = models.ForeignKey(
        "clinic.Person",
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        help_text="Empty: taken over from the settings of an earlier version.",
    )
    review_on = models.DateField()

    class Meta(EpisodeModel.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "condition", "technique", "number", "life"],
                condition=Q(ended_at__isnull=True),
                name="one_policy_rule_in_force",
            ),
            models.CheckConstraint(
                condition=Q(kind="cell", value__isnull=True, minutes__isnull=True, number="", life="")
                & ~Q(grade="")
                & ~Q(condition="")
                & ~Q(technique="")
                | Q(kind="threshold", value__isnull=False, minutes__isnull=True, grade="", life="")
                & ~Q(condition="")
                & ~Q(number="")
                | Q(
                    kind="shelf_life", value__isnull=True, minutes__isnull=False,
                    condition="", technique="", number="", grade="",
                )
                & ~Q(life=""),
                name="policy_rule_is_whole",
            ),
        ]  # fmt: skip


class PolicyVersion(EventModel):
    """The whole set of rules behind the version that a screening notes, so that it can be replayed exactly."""

    version = models.CharField(max_length=20, unique=True)
    rules = models.JSONField(encoder=ENCODER)

    class Meta(EventModel.Meta):
        constraints = [AppendOnly(name="policy_version_append_only")]
