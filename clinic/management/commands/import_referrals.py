"""Stores the referrals of a CSV file: the same work as the upload page, at once and in the terminal."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clinic.records import Refused
from clinic.referrals import importing
from clinic.referrals.rules import FileRefused
from clinic.staff.models import Person


class Command(BaseCommand):
    """Ends with 1 where some rows were refused, with 2 where the file cannot be read."""

    help = "Store the referrals of a CSV file. Refused rows are written beside it as FILE.refused.csv."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """The file, and on whose behalf."""
        parser.add_argument("file", type=Path)
        parser.add_argument("--by", metavar="NAME", help="the sign-in name of the person who imports it")

    def handle(self, *args: Any, **options: Any) -> None:
        """Work through the file."""
        path: Path = options["file"]
        try:
            content = path.read_bytes()
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}.", returncode=2) from error
        try:
            taken = importing.keep(
                by=self._person(options["by"]), file_name=path.name, content=content, source="command"
            )
        except Refused as refused:
            raise CommandError(refused.message, returncode=2) from refused
        try:
            taken = importing.work_through(taken.pk, progress=self._tell, source="command")
        except FileRefused as refused:
            importing.finish(taken, refusal=str(refused), source="command")
            raise CommandError(str(refused), returncode=2) from refused
        importing.finish(taken, source="command")
        self.stdout.write(importing.summary(taken))
        if taken.rows_refused:
            beside = path.with_name(f"{path.name}.refused.csv")
            importing.refused_path(taken.pk).replace(beside)
            raise CommandError(f"Refused rows, with the reasons: {beside}", returncode=1)

    def _tell(self, done: int, total: int, words: str) -> None:
        self.stderr.write(f"{words}: {done:,} of {total:,}")

    def _person(self, username: str | None) -> Person | None:
        if username is None:
            return None
        person: Person | None = Person.objects.filter(username=username, is_active=True).first()
        if person is None:
            raise CommandError(f"Nobody signs in as {username}.", returncode=2)
        return person
