"""The whole demo clinic, with its ten weeks of history."""

from collections import Counter
from datetime import date
from io import StringIO

import pytest
from django.core.management import call_command

from clinic.models import Assignment, AuditEvent, Patient, Person
from clinic.staff.roles import Role
from therapy.models import DueWindow, TreatmentSession
from therapy.pages.demo.load import load

DAY = date(2026, 11, 25)
pytestmark = [pytest.mark.django_db, pytest.mark.slow]


def test_the_full_demo_is_a_small_clinic_with_ten_weeks_of_history():
    load(day=DAY)
    states = Counter(Patient.objects.values_list("state", flat=True))
    assert Patient.objects.count() == 60
    assert set(Patient.objects.values_list("unit__care_setting", flat=True)) == {
        "step_down",
        "acute",
        "outpatient",
        "home",
    }
    assert Person.objects.filter(role=Role.THERAPIST).count() == 6
    first_day = TreatmentSession.objects.earliest("service_date").service_date
    assert (DAY - first_day).days in range(60, 71)
    assert set(DueWindow.objects.values_list("state", flat=True)) == {
        "full",
        "part",
        "not_delivered",
        "cancelled",
        "open",
    }
    # A tenth of the treatments came through the service, each with its audit row.
    recorded = AuditEvent.objects.filter(action="treatment_recorded").count()
    assert recorded * 20 >= TreatmentSession.objects.count()
    said = StringIO()
    call_command("check_records", stdout=said)
    assert "nothing found" in said.getvalue()
    assert Assignment.objects.filter(ended_at__isnull=True).count() == states["active"]
