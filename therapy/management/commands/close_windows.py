"""Closes the due windows whose time is over by hand, as the job does each quarter of an hour."""

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from clinic.formats import count
from therapy.scheduling import window_services


class Command(BaseCommand):
    """Running it twice changes nothing the second time."""

    help = "Close every due window whose time is over, with the reason."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{count(window_services.close_windows(timezone.now()), 'due window')} closed")
