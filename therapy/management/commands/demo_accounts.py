"""`manage.py demo_accounts`: prints the log-ins of the demo clinic."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from clinic.models import Person
from therapy.pages.demo.accounts import DEMO_ACCOUNTS, DEMO_PHRASE


class Command(BaseCommand):
    help = "Print the log-ins of the demo clinic (training only)."

    def handle(self, *args: Any, **options: Any) -> None:
        if not settings.TRAINING_DATA:
            raise CommandError("There are no demo log-ins: CLINIC_TRAINING_DATA is off.")
        known = set(Person.objects.filter(is_active=True).values_list("username", flat=True))
        self.stdout.write(f"Demo log-ins, all with the phrase: {DEMO_PHRASE}")
        for account in DEMO_ACCOUNTS:
            if account.username in known:
                self.stdout.write(f"  {account.username:<14} {account.words}")
