"""The database itself refuses a second order of a technique beside one that was not ended."""

from django.db import migrations, models
from django.db.models import Count
from django.utils import timezone


def end_what_ran_out(apps, schema_editor):
    """Date the end of orders that ran out by themselves; of two still in force a person must stop one first."""
    order, hold = apps.get_model("therapy", "Order"), apps.get_model("therapy", "OrderHold")
    why = "valid until this time"
    unended = order.objects.filter(draft=False, ended_at__isnull=True)
    for row in unended.filter(valid_until__lte=timezone.now()):
        ended = max(row.valid_until, row.started_at)
        order.objects.filter(pk=row.pk).update(ended_at=ended, ended_reason=why)
        for held in hold.objects.filter(order=row.pk, ended_at__isnull=True):
            hold.objects.filter(pk=held.pk).update(ended_at=max(ended, held.started_at), ended_reason=why)
    beside = unended.order_by().values("patient", "technique").annotate(rows=Count("pk")).filter(rows__gt=1)
    if beside:
        named = "; ".join(f"patient {one['patient']}, {one['technique']}" for one in beside)
        raise RuntimeError(f"Stop one of the two orders in force in the earlier version first: {named}.")


class Migration(migrations.Migration):
    dependencies = [("therapy", "0001_initial")]

    operations = [
        migrations.RunPython(end_what_ran_out, migrations.RunPython.noop),
        migrations.AddConstraint(
            model_name="order",
            constraint=models.UniqueConstraint(
                fields=["patient", "technique"],
                condition=models.Q(("draft", False), ("ended_at__isnull", True)),
                name="one_order_in_force",
            ),
        ),
    ]
