"""Keyset paging: no row is skipped or shown twice, whatever is written in between."""

import pytest
from django.db.models import QuerySet

from clinic import paging
from clinic.models import Unit

pytestmark = pytest.mark.django_db
ORDER = ("care_setting", "-name", "id")


def units() -> QuerySet[Unit]:
    return Unit.objects.all()


def make(*pairs: tuple[str, str]) -> None:
    for name, setting in pairs:
        Unit.objects.create(name=name, care_setting=setting)


def walk(rows: QuerySet[Unit], size: int) -> list[str]:
    names: list[str] = []
    query: dict[str, str] = {}
    while True:
        page = paging.page(rows, query, order=ORDER, size=size)
        names += [unit.name for unit in page.rows]
        if not page.after:
            return names
        query = {"after": page.after}


def test_walking_forward_shows_every_row_once_in_order() -> None:
    make(*((f"Unit {number:02d}", "home" if number % 3 else "acute") for number in range(10)))
    for count in range(11):
        rows = units().filter(name__lt=f"Unit {count:02d}")
        whole = [unit.name for unit in rows.order_by(*ORDER)]
        assert len(whole) == count
        for size in (1, 2, 3, 10):
            assert walk(rows, size) == whole


def test_going_back_shows_the_page_that_was_there() -> None:
    make(*((f"Unit {number:02d}", "acute") for number in range(7)))
    first = paging.page(units(), {}, order=ORDER, size=3)
    second = paging.page(units(), {"after": first.after}, order=ORDER, size=3)
    back = paging.page(units(), {"before": second.before}, order=ORDER, size=3)
    assert [unit.name for unit in back.rows] == [unit.name for unit in first.rows]
    assert first.before == back.before == ""
    assert back.after == first.after


def test_a_row_written_in_between_shifts_nothing() -> None:
    make(*((f"Unit {number:02d}", "acute") for number in range(4)))
    first = paging.page(units(), {}, order=ORDER, size=2)
    make(("Unit 99", "acute"))
    second = paging.page(units(), {"after": first.after}, order=ORDER, size=2)
    assert [unit.name for unit in second.rows] == ["Unit 01", "Unit 00"]


@pytest.mark.parametrize("stray", ["nonsense", "0", "-1", "99999999", "' OR 1=1"])
def test_an_address_that_names_no_row_starts_at_the_top(stray: str) -> None:
    make(("Unit 01", "acute"))
    page = paging.page(units(), {"after": stray}, order=ORDER, size=2)
    assert [unit.name for unit in page.rows] == ["Unit 01"]


def test_an_order_that_leaves_rows_level_is_refused() -> None:
    with pytest.raises(ValueError, match="ends in the id"):
        paging.page(units(), {}, order=("name",))
