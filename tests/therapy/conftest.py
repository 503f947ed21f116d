"""Steps that tests of every part of therapy need: a screened patient, an order in force."""

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import pytest
import time_machine

from clinic.models import Patient, Person
from screening import table
from screening.models import Answer, Screening
from tests.conftest import NOW, Cast
from therapy.orders import services as orders
from therapy.orders.doses import starting_dose
from therapy.orders.models import Order
from therapy.orders.prescription import Prescription


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    """The time stands at NOW until the test moves it."""
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def screened(cast: Cast) -> Callable[..., Screening]:
    """A screening with every row answered no but those named; it takes over from an earlier one."""

    def screen(patient: Patient, *, at: datetime = NOW, **answers: Any) -> Screening:
        from clinic import records

        earlier = Screening.objects.filter(patient=patient, ended_at__isnull=True).first()
        row = Screening(patient=patient, by=cast.therapist, started_at=at, table_version="1")
        if earlier is None:
            row.save(force_insert=True)
        else:
            records.replace(earlier, row, by=cast.therapist, at=at, reason="screened again")
        given = dict.fromkeys(table.current().conditions, "no") | answers
        Answer.objects.bulk_create(
            Answer(
                screening=row,
                condition=key,
                kind=value if isinstance(value, str) else "value",
                value=None if isinstance(value, str) else round(value * 1000),
                answered_at=at,
                answered_by=cast.therapist,
            )
            for key, value in given.items()
        )
        return row

    return screen


def prescription(technique: str = "pep", **changes: Any) -> Prescription:
    """The starting values of a technique, three times a day, by a written order."""
    given = {
        "technique": technique,
        "dose": {**starting_dose(technique), **changes.pop("dose", {})},
        "times_a_day": 3,
        "source": "written",
        "prescriber": "Dr Larkspur",
        **changes,
    }
    return Prescription(**given)


@pytest.fixture
def ordered(cast: Cast, clock: Any, screened: Callable[..., Screening]) -> Callable[..., Order]:
    """An order in force since now, of a patient screened just before unless told otherwise."""

    def order(patient: Patient, technique: str = "pep", *, by: Person | None = None, **changes: Any) -> Order:
        if not Screening.objects.filter(patient=patient, ended_at__isnull=True).exists():
            screened(patient)
        by = by or cast.lead
        draft = orders.prescribe(by=by, patient=patient, prescription=prescription(technique, **changes))
        return orders.activate(by=by, order=draft)

    return order
