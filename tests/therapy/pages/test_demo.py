"""The demo clinic: invented, seeded, and told relative to one day."""

from datetime import UTC, date, datetime, timedelta
from io import StringIO

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.db import transaction
from django.test import Client

from clinic.models import PatientIdentity
from clinic.records import Refused
from therapy.models import DueWindow, TreatmentSession
from therapy.pages.demo import names
from therapy.pages.demo.accounts import DEMO_ACCOUNTS
from therapy.pages.demo.load import load

DAY = date(2026, 11, 25)
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def on_that_day():
    """The demo is told for a day that has come, whatever the date of the machine."""
    with time_machine.travel(datetime(2026, 11, 25, 9, 41, tzinfo=UTC), tick=False):
        yield


def _made(seed):
    """What a load makes, taken back afterwards: nothing of a clinic can be deleted."""
    with transaction.atomic():
        load(day=DAY, small=True, seed=seed)
        made = set(DueWindow.objects.values_list("id", "state", "closed_at"))
        made |= set(TreatmentSession.objects.values_list("id", "sputum_volume_tenths_ml", "started_at"))
        transaction.set_rollback(True)
    return made


@pytest.mark.slow
def test_the_same_seed_makes_the_same_clinic_and_another_another():
    first = _made(seed=1)
    assert first == _made(seed=1)
    assert first != _made(seed=2)


def test_every_name_comes_from_the_invented_list():
    load(day=DAY, small=True)
    for identity in PatientIdentity.objects.all():
        assert identity.family_name in names.of_kind("family")
        assert identity.given_name in names.of_kind("given")


def test_each_demo_account_can_sign_in_with_its_phrase(settings):
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # quick, for this test only
    load(day=DAY, small=True)
    for account in DEMO_ACCOUNTS:
        assert Client().login(username=account.username, password=account.password), account.username


def test_the_demo_refuses_to_load_outside_training(settings):
    settings.TRAINING_DATA = False
    with pytest.raises(Refused, match="only for training"):
        load(day=DAY, small=True)
    with pytest.raises(CommandError, match="CLINIC_TRAINING_DATA is off"):
        call_command("demo_accounts", stdout=StringIO())


def test_the_demo_is_told_for_no_day_to_come():
    """Nobody has treated, screened or decided anything on a day that lies ahead."""
    for ahead in (1, 365):
        day = str(DAY + timedelta(days=ahead))
        with pytest.raises(CommandError, match="25-Nov-2026 or earlier"):
            call_command("load_demo", "--small", "--today", day, stdout=StringIO())
    assert not PatientIdentity.objects.exists()


@pytest.mark.slow
def test_the_demo_of_a_day_long_ago_holds_true_too():
    call_command("load_demo", "--small", "--today", "2024-02-29", stdout=StringIO())
    call_command("check_records", stdout=StringIO())
    assert max(DueWindow.objects.values_list("service_date", flat=True)) < date(2024, 4, 1)


def test_the_demo_refuses_to_load_where_there_are_patients(world):
    with pytest.raises(CommandError, match="already"):
        call_command("load_demo", "--small", stdout=StringIO())
    said = StringIO()
    call_command("load_demo", "--if-empty", stdout=said)
    assert "nothing loaded" in said.getvalue()


def test_the_log_ins_are_printed_for_the_accounts_that_exist():
    call_command("load_demo", "--small", "--today", "2026-11-25", stdout=StringIO())
    said = StringIO()
    call_command("demo_accounts", stdout=said)
    for account in DEMO_ACCOUNTS:
        assert account.username in said.getvalue()
        assert account.password in said.getvalue()


@pytest.mark.slow
@pytest.mark.parametrize(
    "now",
    [
        "2026-11-25T00:05Z",  # just after midnight
        "2026-11-29T06:00Z",  # a Sunday before the first shift
        "2026-11-25T23:50Z",  # just before midnight
        "2026-10-25T00:30Z",  # clocks go back in this night (Europe/London)
        "2026-03-29T01:30Z",  # clocks have just gone forward
        "2028-02-29T12:00Z",  # a leap day
    ],
)
def test_the_demo_holds_true_whenever_it_is_loaded(now):
    with time_machine.travel(datetime.fromisoformat(now), tick=False):
        call_command("load_demo", "--small", stdout=StringIO())
        said = StringIO()
        try:
            call_command("check_records", stdout=said)
        except SystemExit:
            pytest.fail(said.getvalue())
