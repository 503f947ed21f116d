"""Builds the weekly caseload report now, for the very weeks for which beat would queue it."""

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
            "week",
            nargs="?",
            help="ISO week like 2026-W47; when left out, each week that is due, and the last full week again",
        )
        parser.add_argument("--out", type=Path, help="write the PDF (of the latest week built) to this file")

    def handle(self, *args: Any, **options: Any) -> None:
        """Build, store, and say which revision is in force."""
        now = timezone.now()
        this_week = services.current_week(now)
        try:
            asked = [Week.parse(options["week"])] if options["week"] else []
        except ValueError as error:
            raise CommandError(str(error)) from error
        if asked and asked[0] > this_week:
            raise CommandError(f"{asked[0]} has not begun.")
        # What came late for the last full week makes a revision; further back, whoever wants one names the week.
        for week in asked or sorted({*services.weeks_due(now), this_week.shifted(-1)}):
            built = services.build_weekly(week, as_of=now, by=None)
            what = "stored" if built.made else "unchanged"
            self.stdout.write(f"{week} revision {built.report.revision}: {what}")
        if options["out"]:
            options["out"].write_bytes(built.report.pdf)
