"""Accounts, the team, settings, assigning and sharing out."""

from datetime import datetime
from typing import Any

from django.utils import timezone

from clinic.models import Assignment, CareSettingRule, Person, Referral, ReferralImport, StandardMinutes, Unit
from clinic.patients import services as patients
from clinic.referrals import importing
from clinic.referrals import services as referrals
from clinic.staff import selectors as team
from clinic.staff import services as staff
from clinic.staff.roles import Role
from clinic.units.services import ensure_defaults
from tests.browser.seen import Seen, press


def somebody() -> dict[str, Any]:
    """A therapist with patients; in the empty clinic any therapist."""
    therapists = Person.objects.filter(role=Role.THERAPIST, is_active=True)
    owner = (
        therapists.filter(assignments__ended_at__isnull=True, assignments__isnull=False)
        .order_by("pk")
        .first()
    )
    return {"person_id": (owner or therapists.order_by("pk")[0]).pk}


def absent_for_today() -> dict[str, Any]:
    """Sends the therapist with most patients off sick, so that there is somebody to share out."""
    rows = Assignment.objects.filter(ended_at__isnull=True, patient__state="active")
    owners = list(rows.values_list("therapist_id", flat=True))
    if not owners:
        return {}
    person = Person.objects.get(pk=max(set(owners), key=owners.count))
    now = timezone.now()
    start, end = team.day_span(timezone.localdate(now))
    if not team.absences_of(person, now):
        staff.mark_absent(
            person, by=_lead(), start=max(start, now.replace(microsecond=0)), end=end, reason="sick"
        )
    return {}


def nobodys_patients() -> dict[str, Any]:
    """Sees to it that a patient without a therapist waits."""
    ensure_waiting(timezone.now())
    return {}


def somebodys_patient() -> dict[str, Any]:
    """A patient who was given from one therapist to another."""
    given = Assignment.objects.filter(ended_at__isnull=True).order_by("-replaces_id", "pk").first()
    return {"patient_id": given.patient_id if given else Referral.objects.earliest("pk").patient_id}


def worked_through() -> dict[str, Any]:
    """A file of which a row was refused."""
    there = ReferralImport.objects.filter(rows_refused__gt=0).first()
    if there is None:
        header = "record_number,family_name,given_name,birth_date,received,urgency,reason,referrer\n"
        content = header + "900001,Demofield,Ada,04/05/1980,2026-01-01,soon,Weak cough,Ward\n"
        there = importing.keep(by=_lead(), file_name="referrals.csv", content=content.encode())
        there = importing.work_through(there.pk, progress=lambda *_: None)
        importing.finish(there)
    return {"import_id": there.pk}


def ensure_waiting(now: datetime) -> None:
    """One invented referral of somebody whom nobody treats yet."""
    if Referral.objects.filter(outcome="waiting").exists():
        return
    patient = patients.register_patient(
        by=_lead(), record_number="900002", family_name="Demofield", given_name="Ivo",
        birth_date=now.date().replace(year=1970, day=1),
    )  # fmt: skip
    referrals.receive(
        patient, by=_lead(), source="telephone", urgency="urgent", reason="Weak cough", referrer="Night nurse"
    )


def a_unit() -> dict[str, Any]:
    """A unit."""
    return {"unit_id": Unit.objects.order_by("pk")[0].pk}


def a_rule() -> dict[str, Any]:
    """The reassessment interval of the acute ward."""
    ensure_defaults()
    return {"rule_id": CareSettingRule.objects.get(care_setting="acute").pk}


def some_minutes() -> dict[str, Any]:
    """The standard minutes of one technique."""
    ensure_defaults()
    return {"row_id": StandardMinutes.objects.order_by("pk")[0].pk}


def a_number() -> dict[str, Any]:
    """One of the clinic's numbers."""
    return {"name": "decide_by_minutes"}


def _lead() -> Person:
    lead: Person = Person.objects.filter(role=Role.LEAD, is_active=True).order_by("pk")[0]
    return lead


PAGES = [
    Seen("accounts", Role.ADMINISTRATOR),
    Seen("account-new", Role.ADMINISTRATOR, wrong=press("Open the account")),
    Seen("account", Role.ADMINISTRATOR, somebody),
    Seen("account-password", Role.ADMINISTRATOR, somebody, wrong=press("Set the password")),
    Seen("account-close", Role.ADMINISTRATOR, somebody),
    Seen("staff", Role.LEAD),
    Seen("shifts", Role.LEAD, somebody, wrong=press("Add the shifts")),
    Seen("training", Role.LEAD, somebody),
    Seen("settings", Role.LEAD),
    Seen("unit-new", Role.LEAD, wrong=press("Store")),
    Seen("unit", Role.LEAD, a_unit),
    Seen("reassessment-rule", Role.LEAD, a_rule),
    Seen("standard-minutes", Role.LEAD, some_minutes),
    Seen("clinic-number", Role.LEAD, a_number, wrong=press("Store")),
    Seen("referral-import", Role.LEAD, worked_through),
    Seen("assigning", Role.LEAD, nobodys_patients, wrong=press("Assign")),
    Seen("patient-assign", Role.LEAD, somebodys_patient, patient=True, wrong=press("Assign")),
    Seen("cover", Role.LEAD, absent_for_today),
    Seen("absent", Role.LEAD, somebody, wrong=press("Mark absent")),
]
EMPTY = [
    Seen("shifts", Role.LEAD, somebody),
    Seen("absent", Role.LEAD, somebody),
    Seen("training", Role.LEAD, somebody),
]
NOT_PAGES = {"shift-cancel", "absence-end"}
