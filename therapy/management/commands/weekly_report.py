"""Builds the weekly caseload report now, as beat does once a week is over."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from clinic.calendar import Week
from therapy.reports import services


class Command(BaseCommand):
    help = "Build the weekly caseload report. With unchanged data nothing is stored."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Which week, and where to put the PDF."""
        parser.add_argument(
            "week", nargs="?", help="ISO week like 2026-W47; the last full week when left out"
        )
        parser.add_argument("--out", type=Path, help="write the PDF to this file as well")

    def handle(self, *args: Any, **options: Any) -> None:
        """Build, store, and say which revision is in force."""
        now = timezone.now()
        this_week = services.current_week(now)
        try:
            week = Week.parse(options["week"]) if options["week"] else this_week.shifted(-1)
        except ValueError as error:
            raise CommandError(str(error)) from error
        if week > this_week:
            raise CommandError(f"{week} has not begun.")
        built = services.build_weekly(week, as_of=now, by=None)
        what = "stored" if built.made else "unchanged"
        self.stdout.write(f"{week} revision {built.report.revision}: {what}")
        if options["out"]:
            options["out"].write_bytes(built.report.pdf)
