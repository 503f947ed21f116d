"""Brings an order of the demo into the state at the bedside that a page is to be seen in."""

from collections.abc import Callable, Iterable

from django.utils import timezone

from clinic.models import Patient, Person
from clinic.staff.roles import Role
from screening import check, services
from screening.holds import Guard
from screening.selectors import guard, guards
from screening.table import current
from therapy.models import Order


def brought_to(orders: Iterable[Order], wanted: Callable[[Guard], bool]) -> Order:
    """The first order of which the guard says at the bedside what is wanted, where need be once the check was done.

    The check is answered as before: what was found still is so. In the empty clinic it is the one order there is.
    """
    rows, now = list(orders), timezone.now()
    pairs = [(row.patient_id, row.technique) for row in rows]
    at_bedside, ahead = (guards(pairs, now, purpose=purpose) for purpose in ("begin", "display"))
    for row, pair in zip(rows, pairs, strict=True):
        if wanted(at_bedside[pair]):
            return row
    for row, pair in zip(rows, pairs, strict=True):
        asked = check.to_ask(at_bedside[pair], current())
        if not wanted(ahead[pair]) or not asked:
            continue
        before = {part.cell.condition for part in ahead[pair].findings}
        services.record_screening(
            by=Person.objects.filter(role=Role.LEAD, is_active=True).order_by("pk")[0],
            patient=Patient.objects.get(pk=row.patient_id),
            answers={key: "yes" if key in before else "no" for key in asked},
            keep="all",
            at=timezone.now(),
            reason="Bedside check",
        )
        if wanted(guard(row.patient_id, row.technique, timezone.now(), purpose="begin")):
            return row
    return rows[0]
