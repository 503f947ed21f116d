"""Every address, every role, reading and writing: the table is written by hand, never read off the decorators.

One letter for each of PEOPLE, for GET and for an empty POST. An address about one record is asked for a record
of the therapist's own patient: the therapist holds a grant, the outsider is a therapist without one.

    o  opens (200)                               r  goes on to another page (302 or 303)
    n  what this person may not see (404)        f  not for this role (403)
    m  this method is not there (405)            e  the empty form comes back with its errors (422)
    s  sent to sign in (302 to the sign-in page, 401 for the interface)
    d  says that worker and clock are not running (503)          t  takes JSON only (415)
"""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from clinic import access
from clinic.calendar import Week
from clinic.models import (
    Absence,
    CareSettingRule,
    Flag,
    JobRun,
    MeasurementSet,
    Notice,
    Person,
    Referral,
    ReferralImport,
    SafetyConcern,
    Shift,
    StandardMinutes,
)
from screening.models import Lift, PolicyRule, Screening
from tests.who_may_open_what import PEOPLE, TABLE
from therapy.models import (
    DueWindow,
    IndependentSets,
    Order,
    Reassessment,
    ScheduledVisit,
    TreatmentSession,
    TreatmentStop,
    VisitStaff,
)
from therapy.reports import services as reports

STATUS = {
    "o": {200},
    "r": {302, 303},
    "n": {404},
    "f": {403},
    "m": {405},
    "e": {422},
    "s": {302, 401},
    "d": {503},
    "t": {415},
}


@dataclass(frozen=True)
class Clinic:
    """The people by their column, and a value for each part of an address."""

    people: dict[str, Person | None]
    parts: dict[str, Any]

    def client_of(self, person: Person | None) -> Client:
        client = Client(raise_request_exception=False)
        if person is not None:
            client.force_login(person)
        return client


@pytest.fixture
def clinic(cast, world) -> Clinic:
    now = timezone.now()
    own, hour = world.mosswater, timedelta(hours=1)
    by = cast.therapist
    order = Order.objects.create(
        patient=own, technique="pep", source="written", prescriber="Dr Larkspur", by=by, started_at=now - hour,
        times_a_day=2, dose={"sets": 3}, sets=3,
    )  # fmt: skip
    window = DueWindow.objects.create(
        order=order, patient=own, technique="pep", service_date=now.date(), ordinal=1, minutes=30,
        earliest=now - hour, latest=now + hour,
    )  # fmt: skip
    visit = ScheduledVisit.objects.create(
        patient=own, window=window, service_date=now.date(), start=now, end=now + hour, by=cast.lead
    )
    VisitStaff.objects.create(visit=visit, person=by, start=now, end=now + hour)
    treatment = TreatmentSession.objects.create(
        patient=own, order=order, technique="pep", service_date=now.date(), started_at=now - hour, ended_at=now,
        delivered="full", recorded_by=by, recorded_at=now, payload_version="session/1", payload_sha256="0" * 64,
        delivered_by="therapist",
    )  # fmt: skip
    flag = Flag.objects.create(kind="reassess", key="k", patient=own, owner=by, words="w", due_at=now)
    referral = Referral.objects.create(
        patient=own, source="written", urgency="soon", reason="r", referrer="Dr Larkspur", received_at=now
    )
    screening = Screening.objects.create(patient=own, by=by, table_version="1")
    week = Week.of(timezone.localdate(now)).shifted(-1)
    report = reports.build_weekly(week, as_of=now, by=None).report
    parts = {
        "patient_id": own.pk,
        "order_id": order.pk,
        "window_id": window.pk,
        "visit_id": visit.pk,
        "treatment_id": treatment.pk,
        "session_id": treatment.pk,
        "flag_id": flag.pk,
        "notice_id": Notice.objects.create(kind="handover", to=by, patient=own, words="w").pk,
        "concern_id": SafetyConcern.objects.create(
            by=by, role=by.role, app_version="1", words="w", patient=own
        ).pk,
        "referral_id": referral.pk,
        "import_id": ReferralImport.objects.create(file_name="f.csv", content_sha256="0" * 64).pk,
        "run_id": JobRun.objects.create(kind="weekly-report", key="2026-W47", requested_by=by).pk,
        "screening_id": screening.pk,
        "report_id": report.pk,
        "person_id": cast.colleague.pk,
        "technique": "pep",
        "condition": "lung_abscess",
        "lift_id": Lift.objects.create(
            patient=own,
            screening=screening,
            technique="mi_e",
            condition="lung_abscess",
            answer="yes",
            prescriber="Dr Larkspur",
            reason="r",
            expires_at=now + hour,
            by=by,
            started_at=now,
        ).pk,
        "band": "5-7",
        "set_id": MeasurementSet.objects.create(
            patient=own, kind="vital_signs", measured_at=now, by=by, consciousness="A"
        ).pk,
        "kind": "order",
        "policy_kind": "shelf_life",
        "policy_id": PolicyRule.objects.create(
            kind="shelf_life", life="now", minutes=30, reason="r", by=cast.lead, review_on=now.date()
        ).pk,
        "group": "bleeding",
        "pk": order.pk,
        "week": "2026-W47",
        "reassessment_id": Reassessment.objects.create(
            patient=own, order=order, at=now, by=by, outcome="continue", findings="f"
        ).pk,
        "unit_id": world.acute.pk,
        "rule_id": CareSettingRule.objects.create(
            care_setting="acute", reassess_every=72, reassess_every_spell="hours"
        ).pk,
        "row_id": StandardMinutes.objects.create(kind="technique", name="pep", minutes=30).pk,
        "name": "adherence_low_below_percent",
        "shift_id": Shift.objects.create(person=cast.colleague, start=now, end=now + hour).pk,
        "entry_id": IndependentSets.objects.create(
            patient=own, order=order, service_date=now.date(), sets_done=3, reported_by="patient", by=by
        ).pk,
        "stop_id": TreatmentStop.objects.create(
            patient=own, order=order, technique="pep", at=now - hour, by=by
        ).pk,
        "minutes": 5,
        "absence_id": Absence.objects.create(
            person=cast.colleague, start=now, end=now + hour, reason="sick"
        ).pk,
    }
    people = {
        "lead": cast.lead,
        "therapist": by,
        "outsider": cast.outsider,
        "manager": cast.manager,
        "administrator": cast.administrator,
        "nobody": None,
    }
    return Clinic(people=people, parts=parts)


def asked(clinic: Clinic, name: str, route: str, person: Person | None, method: str) -> int:
    """The status of one request, after which the database is as before."""
    wanted = [part.split(":")[-1].split(">")[0] for part in route.split("<")[1:]]
    own = {"treat-window": "window_id", "treat-visit": "visit_id"}.get(name)
    parts = clinic.parts | ({"pk": clinic.parts[own]} if own else {})
    address = reverse(name, kwargs={part: parts[part] for part in wanted})
    client = clinic.client_of(person)
    with transaction.atomic():
        try:
            response = client.get(address) if method == "get" else client.post(address)
            return response.status_code
        finally:
            transaction.set_rollback(True)


def test_each_address_has_its_row_and_each_row_an_address() -> None:
    assert {name for _, name, _ in access.endpoints()} == set(TABLE)


@pytest.mark.slow
@pytest.mark.django_db
def test_every_person_gets_what_the_table_says_at_every_address(clinic) -> None:
    wrong = []
    for route, name, _ in access.endpoints():
        for method, expected in (("get", TABLE[name][0]), ("post", TABLE[name][1])):
            for person, letter in zip(PEOPLE, expected, strict=True):
                status = asked(clinic, name, route, clinic.people[person], method)
                if status not in STATUS[letter]:
                    wrong.append(f"{name} {method} as {person}: {status}, the table says {letter}")
    assert wrong == []
