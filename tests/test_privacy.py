"""No patient's name or birth date stands where it has no business: a log line, the audit trail, a manager's page."""

import logging
from datetime import date

import pytest
from django.core import mail
from django.core.management import call_command
from django.test import Client

from clinic import access, formats
from clinic.models import AuditEvent, JobRun, PatientIdentity, Person, RecordVersion
from clinic.staff.roles import Role
from therapy.models import StoredReport

pytestmark = [pytest.mark.slow, pytest.mark.django_db]
# Whoever treats may read names; everybody else works by number.
WITHOUT_NAMES = (Role.MANAGER, Role.ADMINISTRATOR)


def private_words() -> set[str]:
    """What gives a patient away: family name, given name, birth date as written here and as stored."""
    found = set()
    for identity in PatientIdentity.objects.all():
        born: date = identity.birth_date
        found |= {identity.family_name, identity.family_name.upper(), formats.date(born), born.isoformat()}
    return found


def told(text: str, words: set[str]) -> list[str]:
    return sorted(word for word in words if word in text)


@pytest.fixture
def demo(db):
    call_command("load_demo", small=True, verbosity=0)
    # A name that is a member of staff's as well tells nothing of a patient.
    staff = {
        name for person in Person.objects.all() for name in (person.family_name, person.family_name.upper())
    }
    words = private_words() - staff
    assert len(words) > 20
    return words


def plain_addresses() -> list[str]:
    return [f"/{route}" for route, _, view in access.endpoints() if "<" not in route and view.allowed_roles]


@pytest.mark.parametrize("role", WITHOUT_NAMES)
def test_no_page_of_manager_or_administrator_shows_a_name_or_a_birth_date(demo, role):
    client = Client()
    client.force_login(Person.objects.filter(role=role, is_active=True)[0])
    pages = {address: client.get(address) for address in plain_addresses()}
    shown = {address: page.content.decode() for address, page in pages.items() if page.status_code == 200}
    assert len(shown) >= 3
    assert {address: told(text, demo) for address, text in shown.items() if told(text, demo)} == {}


def test_walking_every_list_as_lead_and_running_the_jobs_logs_and_mails_no_name(demo, caplog):
    caplog.set_level(logging.DEBUG)
    for role in (Role.LEAD, Role.THERAPIST):
        client = Client()
        client.force_login(Person.objects.filter(role=role, is_active=True)[0])
        for address in plain_addresses():
            client.get(address)
    for command in ("top_up_windows", "close_windows", "flag_overdue", "weekly_report"):
        call_command(command, verbosity=0)
    # The database's own log of SQL is off in service; what is looked at is what the app logs.
    lines = [
        f"{record.getMessage()} {record.__dict__}"
        for record in caplog.records
        if not record.name.startswith(("django.db", "faker", "fontTools", "weasyprint"))
    ]
    assert any("request" in line for line in lines)
    assert [line[:200] for line in lines if told(line, demo)] == []
    assert [message for message in mail.outbox if told(message.body + message.subject, demo)] == []


def test_trail_versions_job_ledger_and_report_hold_no_name(demo):
    call_command("weekly_report", verbosity=0)
    for model in (AuditEvent, RecordVersion, JobRun):
        rows = [str(row) for row in model.objects.values()]
        assert [row[:200] for row in rows if told(row, demo)] == [], model
    assert AuditEvent.objects.exists()
    assert [report.period for report in StoredReport.objects.all() if told(str(report.figures), demo)] == []
