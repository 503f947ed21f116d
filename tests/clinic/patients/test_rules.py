"""Similar names, likely duplicates, check digits."""

from datetime import date

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from clinic.patients.rules import (
    Identity,
    birth_date_problem,
    check_digit_is_right,
    close,
    folded,
    likely_same_person,
    similar,
)

NAMES = st.text(alphabet="abø-", min_size=1, max_size=6)


@pytest.mark.parametrize(
    ("written", "plain"),
    [
        ("Müller-Şen", "mullersen"),
        ("O'NEILL", "oneill"),
        ("Strauß", "strauss"),
        ("Øverby", "overby"),
        ("Łącka", "lacka"),
    ],
)
def test_a_name_is_compared_without_case_accents_and_signs(written: str, plain: str) -> None:
    assert folded(written) == plain


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("fernhill", "fernhil"),
        ("fernhill", "fernhall"),
        ("fernhill", "frenhill"),
        ("fernhill", "fernhills"),
        ("lee", "lee"),
    ],
)
def test_one_letter_changed_added_left_out_or_swapped_is_close(one: str, other: str) -> None:
    assert close(one, other)
    assert close(other, one)


@pytest.mark.parametrize(
    ("one", "other"), [("fernhill", "ferndale"), ("lee", "lea"), ("", ""), ("oak", "oaks")]
)
def test_other_names_and_very_short_ones_are_not_close(one: str, other: str) -> None:
    assert not close(one, other)


def edits(one: str, other: str) -> int:
    """Damerau-Levenshtein distance, optimal string alignment (Damerau 1964), written out as the textbook has it."""
    rows = [[0] * (len(other) + 1) for _ in range(len(one) + 1)]
    for i in range(len(one) + 1):
        for j in range(len(other) + 1):
            if not i or not j:
                rows[i][j] = i + j
                continue
            cost = one[i - 1] != other[j - 1]
            rows[i][j] = min(rows[i - 1][j] + 1, rows[i][j - 1] + 1, rows[i - 1][j - 1] + cost)
            if i > 1 and j > 1 and one[i - 1] == other[j - 2] and one[i - 2] == other[j - 1]:
                rows[i][j] = min(rows[i][j], rows[i - 2][j - 2] + 1)
    return rows[-1][-1]


@given(st.text(alphabet="abc", min_size=4, max_size=8), st.text(alphabet="abc", min_size=4, max_size=8))
def test_every_name_one_slip_away_is_close_and_none_more_than_two_away(one: str, other: str) -> None:
    distance = edits(one, other)
    if distance <= 1:
        assert close(one, other)
    if close(one, other):
        assert distance <= 2


@example(["lee", "leea"])
@given(st.lists(NAMES.map(folded), max_size=8))
def test_the_marks_of_a_list_are_those_of_comparing_each_with_each(names: list[str]) -> None:
    rows = list(enumerate(names))
    expected = {
        key for key, name in rows if any(other != key and close(name, another) for other, another in rows)
    }
    assert similar(rows) == expected


@pytest.mark.parametrize(
    ("number", "right"),
    [
        ("943 476 5919", True),  # the example number of the NHS data dictionary, from memory
        ("9434765919", True),
        ("943-476-5919", True),
        ("943 476 5918", False),
        ("943 476 591", False),
        ("94347659I9", False),
        ("", False),
    ],
)
def test_the_check_digit_of_a_national_number_is_modulus_11(number: str, right: bool) -> None:
    assert check_digit_is_right(number) is right


def test_no_single_wrong_digit_and_no_swap_of_neighbours_passes_the_check() -> None:
    """What a modulus 11 check is for (ISO/IEC 7064 family; common practice)."""
    good = "9434765919"
    for place in range(10):
        for digit in "0123456789":
            if digit != good[place]:
                assert not check_digit_is_right(good[:place] + digit + good[place + 1 :])
    for place in range(9):
        swapped = good[:place] + good[place + 1] + good[place] + good[place + 2 :]
        assert swapped == good or not check_digit_is_right(swapped)


def test_a_birth_date_ahead_or_long_past_cannot_be_right() -> None:
    today = date(2026, 11, 25)
    assert birth_date_problem(date(2026, 11, 26), today=today)
    assert birth_date_problem(date(1880, 1, 1), today=today)
    assert birth_date_problem(today, today=today) == ""


MOSSWATER = Identity("Mosswater", "Bryn", date(1958, 3, 14), "9434765919")


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (Identity("Elsewhere", "Ann", date(2001, 1, 1), "943 476 5919"), "national number"),
        (Identity("Moswater", "Bryn", date(1958, 3, 14)), "same birth date"),
        (Identity("Bryn", "Mosswater", date(1958, 3, 14)), "other way round"),
        (Identity("Mosswater", "Bryn", date(1985, 3, 14)), "one part"),
        (Identity("Mosswater", "Bryn", date(1958, 4, 14)), "one part"),
    ],
)
def test_records_that_are_likely_one_person_say_why(other: Identity, why: str) -> None:
    assert why in likely_same_person(MOSSWATER, other)


def test_day_and_month_swapped_are_one_slip() -> None:
    one, other = Identity("Oakapple", "Tam", date(1960, 3, 5)), Identity("Oakapple", "Tam", date(1960, 5, 3))
    assert likely_same_person(one, other)


@pytest.mark.parametrize(
    "other",
    [
        Identity("Mosswater", "Alda", date(1958, 3, 14)),
        Identity("Mosswater", "Bryn", date(1990, 7, 1)),
        Identity("Heatherley", "Sol", date(1958, 3, 14)),
    ],
)
def test_a_relative_or_a_namesake_is_not_called_the_same_person(other: Identity) -> None:
    assert likely_same_person(MOSSWATER, other) == ""
