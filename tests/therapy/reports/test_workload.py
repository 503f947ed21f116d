"""Minutes present: shifts less breaks and absences, however these overlap."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.models import Absence, Shift
from tests.conftest import NOW
from therapy.reports.workload import minutes_outside, workload

START = NOW.replace(hour=8, minute=0)


def at(hours):
    return START + timedelta(hours=hours)


def test_overlapping_pauses_are_taken_off_once():
    pauses = [(at(1), at(3)), (at(2), at(4)), (at(9), at(12)), (at(-2), at(-1))]
    assert minutes_outside(at(0), at(10), pauses) == 6 * 60


@given(st.lists(st.tuples(st.integers(-5, 30), st.integers(0, 10)), max_size=8))
def test_minutes_outside_are_those_counted_one_by_one(spans):
    pauses = [(at(0) + timedelta(minutes=a), at(0) + timedelta(minutes=a + b)) for a, b in spans]
    counted = sum(not any(a <= minute < a + b for a, b in spans) for minute in range(24))
    assert minutes_outside(at(0), at(0) + timedelta(minutes=24), pauses) == counted


@pytest.mark.django_db
def test_a_shift_counts_without_its_break_and_an_absence(cast):
    Shift.objects.create(person=cast.therapist, start=at(0), end=at(8), break_start=at(4), break_end=at(4.5))
    Absence.objects.create(person=cast.therapist, start=at(6), end=at(30), reason="sick")
    (row,) = workload(at(-8), at(16))
    assert row["minutes_present"] == 5 * 60 + 30
