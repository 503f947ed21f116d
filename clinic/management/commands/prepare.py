"""Prepares a production installation: migrations, and the static files under their hashed names."""

from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand


class Command(BaseCommand):
    """Run before the other processes start; running it again changes nothing."""

    help = "Apply the migrations and collect the static files."

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", interactive=False, stdout=self.stdout)
        call_command("collectstatic", interactive=False, stdout=self.stdout)
