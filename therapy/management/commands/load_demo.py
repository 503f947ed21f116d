"""`manage.py load_demo`: fills an empty training database with the invented clinic."""

from argparse import ArgumentParser
from datetime import date
from time import monotonic
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clinic.models import Patient
from clinic.records import Refused
from therapy.pages.demo.load import load


class Command(BaseCommand):
    help = "Load the demo clinic (invented people, training only) into an empty database."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--if-empty", action="store_true", help="do nothing where there are patients")
        parser.add_argument(
            "--small", action="store_true", help="a handful of patients with a week of history"
        )
        parser.add_argument("--seed", type=int, default=1, help="another seed makes another clinic (1)")
        parser.add_argument(
            "--today",
            type=date.fromisoformat,
            help="the day it is told for, like 2026-11-25; today or earlier",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["if_empty"] and Patient.objects.exists():
            self.stdout.write("The database holds patients already: nothing loaded.")
            return
        began = monotonic()
        try:
            counts = load(seed=options["seed"], day=options["today"], small=options["small"])
        except Refused as refused:
            raise CommandError(refused.message) from refused
        rows = sum(counts.values())
        self.stdout.write(
            f"Demo clinic loaded: {counts['patients']} invented patients, {rows:,} rows, {monotonic() - began:.0f} s."
        )
