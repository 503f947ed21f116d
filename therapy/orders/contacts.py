"""Whom to ring about a patient, with the numbers that are stored; who has none is named all the same."""

from dataclasses import dataclass

from clinic.assignments import selectors as assignments
from clinic.models import Patient, Person
from clinic.referrals import selectors as referrals
from clinic.staff.roles import Role
from therapy.orders.models import Order


@dataclass(frozen=True, slots=True)
class Contact:
    """Who, as what, and the number; empty where none is recorded."""

    who: str
    role: str
    phone: str


def whom_to_ring(patient: Patient, orders: list[Order]) -> list[Contact]:
    """The unit, who prescribed, who referred, the assigned therapist and the leads; a constant number of queries."""
    found = []
    if patient.unit is not None:
        found.append(Contact(patient.unit.name, "unit", patient.unit.phone))
    referral = referrals.of_patient(patient.pk).first()
    prescribers = dict.fromkeys(order.prescriber for order in orders)
    for name in prescribers:
        same = referral is not None and referral.referrer == name
        found.append(Contact(name, "prescriber", referral.referrer_phone if referral and same else ""))
    if referral is not None and referral.referrer not in prescribers:
        found.append(Contact(referral.referrer, "referrer", referral.referrer_phone))
    therapist = assignments.current([patient.pk]).get(patient.pk)
    if therapist is not None and therapist.role != Role.LEAD:
        found.append(Contact(str(therapist), "assigned therapist", therapist.phone))
    leads = Person.objects.filter(role=Role.LEAD, is_active=True).order_by("family_name", "pk")
    return [*found, *(Contact(str(lead), "department lead", lead.phone) for lead in leads)]
