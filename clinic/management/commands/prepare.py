"""Prepares a production installation: migrations, starting values, and the static files under their hashed names."""

from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand

from clinic.units.services import ensure_defaults


class Command(BaseCommand):
    """Run before the other processes start; running it again changes nothing."""

    help = "Apply the migrations, set what a new clinic starts with, and collect the static files."

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", interactive=False, stdout=self.stdout)
        ensure_defaults()
        call_command("collectstatic", interactive=False, stdout=self.stdout)
