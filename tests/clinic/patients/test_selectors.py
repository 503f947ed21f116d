"""What is shown of patients: search, lists, banner."""

from datetime import date
from typing import Any

import pytest
from django.http import Http404

from clinic.patients import selectors, services
from clinic.patients.rules import Identity
from tests.conftest import Cast, World, make_patient

pytestmark = pytest.mark.django_db
ON = date(2026, 11, 25)


@pytest.mark.parametrize(
    "words", ["moss", "MOSSWATER", "mosswater, bryn", "Bryn", "204118553", "204 118", "bryn moss", "Mößwater"]
)
def test_a_patient_is_found_by_the_beginning_of_a_name_or_number(
    cast: Cast, world: World, words: str
) -> None:
    assert list(selectors.search(cast.lead, words)) == [world.mosswater]


@pytest.mark.parametrize("words", ["water", "99", "mosswater ivo", "%", "_"])
def test_nobody_is_found_by_what_is_not_theirs(cast: Cast, world: World, words: str) -> None:
    assert list(selectors.search(cast.lead, words)) == []


def test_a_search_finds_only_patients_one_may_open(cast: Cast, world: World) -> None:
    assert list(selectors.search(cast.therapist, "thistle")) == []
    for person in (cast.outsider, cast.manager, cast.administrator):
        assert list(selectors.search(person, "moss")) == []
        with pytest.raises(Http404):
            selectors.patient(person, world.mosswater.pk)


def test_a_list_has_two_identifiers_beside_each_name_and_marks_similar_ones(cast: Cast, world: World) -> None:
    other = make_patient("Moswater", "Alda", date(1990, 1, 1), "204118554", unit=world.acute, room="2")
    listed = [selectors.patient(cast.lead, one.pk) for one in (world.mosswater, other, world.pebblebrook)]
    rows = selectors.in_list(listed, on=ON)
    assert [row.similar for row in rows] == [True, True, False]
    assert (rows[0].name, rows[0].born, rows[0].number) == (
        "MOSSWATER, Bryn",
        "14-Mar-1958 (68 y)",
        "204 118 553",
    )
    assert rows[0].place == "Acute ward, room 12"


def test_a_list_costs_the_same_number_of_queries_for_one_and_for_many(
    cast: Cast, world: World, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(3):
        selectors.in_list(list(selectors.patients(cast.lead)[:1]))
    with django_assert_num_queries(3):
        selectors.in_list(list(selectors.patients(cast.lead)))


def test_the_banner_tells_name_birth_date_gender_number_and_place(cast: Cast, world: World) -> None:
    banner = selectors.banner(selectors.patient(cast.lead, world.mosswater.pk), on=ON)
    assert (banner.name, banner.born, banner.gender) == ("MOSSWATER, Bryn", "14-Mar-1958 (68 y)", "male")
    assert (banner.number, banner.place, banner.signs) == ("204 118 553", "Acute ward, room 12", ())


def test_the_banner_says_where_a_patient_is_not_on_the_caseload(cast: Cast, world: World) -> None:
    services.discharge(world.mosswater, by=cast.lead, reason="Home.")
    banner = selectors.banner(selectors.patient(cast.lead, world.mosswater.pk), on=ON)
    assert banner.signs == (("Discharged", "plain"),)


def test_emergency_search_wants_the_exact_number_and_birth_date(world: World) -> None:
    find = selectors.by_number_and_birth_date
    assert find("204 118 553", date(1958, 3, 14)) == world.mosswater
    assert find("204118553", date(1958, 3, 15)) is None
    assert find("20411855", date(1958, 3, 14)) is None


def test_likely_duplicates_are_found_whoever_may_open_them(world: World) -> None:
    found = selectors.likely_duplicates(Identity("Mosswater", "Brin", date(1958, 3, 14)))
    assert [one.identity.patient for one in found] == [world.mosswater]
    assert (
        selectors.likely_duplicates(
            Identity("Mosswater", "Brin", date(1958, 3, 14)), besides=world.mosswater.pk
        )
        == []
    )
