"""Nobody is scheduled in two places at once: the database itself refuses it."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import IntegrityError, connection, models, transaction

from clinic.models import Shift
from therapy.models import ScheduledVisit, VisitStaff

NINE = datetime(2026, 11, 25, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def shift(person, start, hours=1) -> Shift:
    return Shift(person=person, start=start, end=start + hours * HOUR)


def test_two_shifts_of_one_person_may_touch_but_not_overlap(cast) -> None:
    shift(cast.therapist, NINE).save()
    shift(cast.therapist, NINE + HOUR).save()
    shift(cast.colleague, NINE).save()
    with pytest.raises(IntegrityError), transaction.atomic():
        shift(cast.therapist, NINE + HOUR / 2).save()


def test_bulk_create_and_update_are_refused_too(cast) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Shift.objects.bulk_create([shift(cast.therapist, NINE, 2), shift(cast.therapist, NINE + HOUR)])
    shift(cast.therapist, NINE).save()
    later = shift(cast.therapist, NINE + 3 * HOUR)
    later.save()
    with pytest.raises(IntegrityError), transaction.atomic():
        Shift.objects.filter(pk=later.pk).update(start=NINE + HOUR / 2)
    Shift.objects.filter(pk=later.pk).update(start=NINE + HOUR)


def visit(world, cast, start, state="scheduled") -> ScheduledVisit:
    return ScheduledVisit.objects.create(
        patient=world.mosswater,
        service_date=start.date(),
        start=start,
        end=start + HOUR,
        by=cast.lead,
        state=state,
    )


def test_a_patient_has_one_visit_at_a_time_and_a_cancelled_one_takes_no_place(cast, world) -> None:
    visit(world, cast, NINE, state="cancelled")
    first = visit(world, cast, NINE)
    with pytest.raises(IntegrityError), transaction.atomic():
        visit(world, cast, NINE + HOUR / 2)
    ScheduledVisit.objects.filter(pk=first.pk).update(state="cancelled")
    visit(world, cast, NINE + HOUR / 2)
    with pytest.raises(IntegrityError), transaction.atomic():
        ScheduledVisit.objects.filter(pk=first.pk).update(state="scheduled")


def test_a_therapist_is_in_one_place_at_a_time(cast, world) -> None:
    first, second = visit(world, cast, NINE), visit(world, cast, NINE + HOUR)
    VisitStaff.objects.create(visit=first, person=cast.therapist, start=NINE, end=NINE + HOUR)
    with pytest.raises(IntegrityError), transaction.atomic():
        VisitStaff.objects.create(
            visit=second, person=cast.therapist, start=NINE + HOUR / 2, end=NINE + 2 * HOUR
        )


@pytest.mark.django_db(transaction=True)
def test_the_constraint_outlives_a_change_of_a_column(cast) -> None:
    """A trigger made by hand would be lost when SQLite rebuilds the table."""
    new = models.CharField(max_length=20, null=True)
    new.set_attributes_from_name("words_for_the_test")
    new.model = Shift
    wider = models.CharField(max_length=30, null=True)
    wider.set_attributes_from_name("words_for_the_test")
    wider.model = Shift
    with connection.schema_editor() as editor:
        editor.add_field(Shift, new)
    try:
        with connection.schema_editor() as editor:
            editor.alter_field(Shift, new, wider)
        shift(cast.therapist, NINE).save()
        with pytest.raises(IntegrityError), transaction.atomic():
            shift(cast.therapist, NINE + HOUR / 2).save()
    finally:
        with connection.schema_editor() as editor:
            editor.remove_field(Shift, wider)
    with pytest.raises(IntegrityError), transaction.atomic():
        shift(cast.therapist, NINE + HOUR / 2).save()
