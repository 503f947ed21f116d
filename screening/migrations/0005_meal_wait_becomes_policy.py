"""The wait after a meal before head-down drainage was a setting; it goes on as a local rule of its own."""

from datetime import timedelta

from django.db import migrations
from django.utils import timezone

NUMBER = "head_down_meal_wait_minutes"
LISTED = 90
REASON = "Taken over from the settings"


def fill(apps, schema_editor):
    ClinicNumber = apps.get_model("clinic", "ClinicNumber")
    PolicyRule = apps.get_model("screening", "PolicyRule")
    row = ClinicNumber.objects.filter(pk=NUMBER, value__gt=LISTED).first()
    if row is None:
        return
    now = timezone.now()
    PolicyRule.objects.create(
        kind="threshold", condition="meal_within_waiting_time", technique="head_down_drainage",
        number="minutes_since_meal", value=row.value * 1000, started_at=now,
        reason=f"{REASON}: {row.reason}"[:300] if row.reason else REASON,
        review_on=timezone.localdate(now) + timedelta(days=30),
    )


def empty(apps, schema_editor):
    """Nothing to put back: the setting's row is still there."""


class Migration(migrations.Migration):

    dependencies = [("screening", "0004_local_policy"), ("clinic", "0001_initial")]

    operations = [migrations.RunPython(fill, empty)]
