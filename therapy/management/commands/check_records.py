"""`manage.py check_records`: checks over the whole database what must stay true; exit 1 with the rows that break it."""

from argparse import ArgumentParser
from collections.abc import Iterable
from itertools import islice
from typing import Any

from django.core.management.base import BaseCommand

from therapy.pages.record_checks.registry import Check, Finding, checks

MOST_ROWS = 20


class Command(BaseCommand):
    help = "Check every record against what must stay true. Prints the rows that break it and ends with 1."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--list", action="store_true", help="print what is checked, and check nothing")
        parser.add_argument(
            "--only", action="append", default=[], help="the name of one check; may be repeated"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        chosen = [one for one in checks() if not options["only"] or one.name in options["only"]]
        if options["list"]:
            for one in chosen:
                self.stdout.write(f"{one.name}: {one.words}")
            return
        broken = sum(self._run(one) for one in chosen)
        if broken:
            self.stdout.write(f"{broken} of {len(chosen)} checks found something.")
            raise SystemExit(1)
        self.stdout.write(f"{len(chosen)} checks, nothing found.")

    def _run(self, one: Check) -> bool:
        rows = iter(one.find())
        shown = list(islice(rows, MOST_ROWS))
        if not shown:
            return False
        self.stdout.write(f"{one.name}: it does not hold that {one.words}")
        for row in shown:
            self.stdout.write(f"  {row.table} {row.id}: {row.words}")
        more = _count(rows)
        if more:
            self.stdout.write(f"  and {more} more")
        return True


def _count(rows: Iterable[Finding]) -> int:
    return sum(1 for _ in rows)
