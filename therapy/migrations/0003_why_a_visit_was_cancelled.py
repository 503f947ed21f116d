"""A place on a cancelled visit says why, so that the visit can come back with whoever was to make it."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('therapy', '0002_one_order_in_force'),
    ]

    operations = [
        migrations.AddField(
            model_name='visitstaff',
            name='reason',
            field=models.CharField(blank=True, help_text='Why the whole visit was cancelled; blank where only this place was.', max_length=300),
        ),
    ]
