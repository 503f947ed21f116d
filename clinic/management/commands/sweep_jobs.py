"""Sweeps the job ledger by hand, as beat does each minute."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from clinic.jobs import services


class Command(BaseCommand):
    """Running it twice changes nothing the second time."""

    help = "Queue again what a lost worker left behind, and ring for what was not heard."

    def handle(self, *args: Any, **options: Any) -> None:
        swept = services.sweep(now=timezone.now())
        self.stdout.write(
            f"queued again {swept.queued_again}, given up {swept.given_up}, "
            f"cancelled {swept.cancelled}, rung {swept.rung}"
        )
