"""Asks whether worker or beat is alive: the health check of their containers."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from clinic.health import heartbeat


class Command(BaseCommand):
    """Ends with 1 where the process has been silent for more than a minute."""

    help = "Say when worker or beat was last heard; exit 1 where that is more than a minute ago."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("process", choices=("worker", "beat"))

    def handle(self, *args: Any, **options: Any) -> None:
        check = heartbeat(options["process"], now=timezone.now())
        if not check.ok:
            raise CommandError(f"{options['process']} {check.detail}")
        self.stdout.write(f"{options['process']} {check.detail}")
