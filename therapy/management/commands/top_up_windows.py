"""Makes the due windows of the next fortnight by hand, as the nightly job does."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from clinic.formats import count
from therapy.scheduling import window_services


class Command(BaseCommand):
    """Running it twice changes nothing the second time."""

    help = "Make due windows for every order in force, up to today + 14 days."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{count(window_services.top_up_windows(timezone.now()), 'due window')} made")
