"""Prints the input of a shown figure, so that `figure_input ID | python -m therapy.calculate NAME` gives it again."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from therapy.reports import figure_ids


class Command(BaseCommand):
    help = "Print the input of a figure as JSON. The first part of the id is the NAME of the calculation."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Which figure."""
        parser.add_argument("figure_id", help="for example delivered/clinic/2026-W47")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write the one case to standard output."""
        try:
            _, case = figure_ids.input_of(options["figure_id"])
        except figure_ids.UnknownFigureError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(json.dumps(case, ensure_ascii=False))
