"""Opens a flag for each overdue reassessment now, as beat does every quarter of an hour."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from clinic.formats import count
from therapy.reassessment import services


class Command(BaseCommand):
    help = "Open flags for overdue reassessments and close those that are void. Twice changes nothing."

    def handle(self, *args: Any, **options: Any) -> None:
        """Run once and say what was done."""
        done = services.open_overdue_flags(now=timezone.now())
        self.stdout.write(f"{count(done.opened, 'flag')} opened, {done.closed:,} closed")
