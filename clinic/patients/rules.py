"""Names that may be taken for each other, patients who may be the same person, and numbers that cannot be right.

Pure: no Django, no clock, no database. A mark says "look twice", never that two patients are one.
"""

import unicodedata
from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

# Letters that no decomposition takes apart, as they are usually written without their sign.
_PLAIN = str.maketrans(
    {"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "\u0131": "i"}
)

# Under this many letters one changed letter makes another name (local convention).
SHORTEST_CLOSE_NAME = 4
OLDEST_YEARS = 120

Key = TypeVar("Key", bound=Hashable)


def folded(text: str) -> str:
    """Fold a name for comparison: no case, accents, spaces or signs. `Müller-Şen` becomes `mullersen`."""
    plain = unicodedata.normalize("NFKD", text.casefold().translate(_PLAIN))
    return "".join(letter for letter in plain if letter.isalnum())


def close(one: str, other: str) -> bool:
    """Tell whether two folded names are the same, or the same once a letter is left out of either.

    That takes in one letter changed, added, left out, doubled, or two neighbours swapped. Names under four
    letters count only when they are the same.
    """
    if one == other:
        return bool(one)
    if min(len(one), len(other)) < SHORTEST_CLOSE_NAME or abs(len(one) - len(other)) > 1:
        return False
    return not _variants(one).isdisjoint(_variants(other))


def _variants(name: str) -> set[str]:
    if len(name) < SHORTEST_CLOSE_NAME:
        return {f"={name}"}  # never the same as a longer name with a letter left out
    return {name, *(name[:place] + name[place + 1 :] for place in range(len(name)))}


def similar(family_names: Iterable[tuple[Key, str]]) -> set[Key]:
    """Find the patients of a list whose family name is the same as, or close to, another one's in the list.

    Args:
        family_names: (patient, family name folded). Work grows with the number of names, not with its square.
    """
    shared: dict[str, set[Key]] = defaultdict(set)
    for key, name in family_names:
        for variant in _variants(name) if name else ():
            shared[variant].add(key)
    return {key for keys in shared.values() if len(keys) > 1 for key in keys}


def check_digit_is_right(national_number: str) -> bool:
    """Check a ten-digit national number by its last digit, modulus 11.

    The first nine digits are weighed 10 down to 2 and added; 11 less the remainder by 11 is the check digit,
    11 counting as 0, and 10 never being issued (NHS Data Model and Dictionary, NHS NUMBER). Spaces and hyphens
    are passed over.
    """
    digits = national_number.replace(" ", "").replace("-", "")
    if len(digits) != 10 or not (digits.isascii() and digits.isdigit()):
        return False
    total = sum(int(digit) * weight for digit, weight in zip(digits, range(10, 1, -1), strict=False))
    return (11 - total % 11) % 11 == int(digits[9])


def birth_date_problem(birth_date: date, *, today: date) -> str:
    """Say why a birth date cannot be right; empty where it can."""
    if birth_date > today:
        return "The birth date must be today or in the past"
    if today.year - birth_date.year > OLDEST_YEARS:
        return f"The birth date must be within the last {OLDEST_YEARS} years"
    return ""


@dataclass(frozen=True)
class Identity:
    """What tells one person from another; names as they are written."""

    family_name: str
    given_name: str
    birth_date: date
    national_number: str = ""


def likely_same_person(one: Identity, other: Identity) -> str:
    """Say why two records are likely one person; empty where they are not.

    A reason to compare the two, never to join them: twins share a birth date and a family name.
    """
    number = one.national_number.replace(" ", "")
    if number and number == other.national_number.replace(" ", ""):
        return "same national number"
    family = close(folded(one.family_name), folded(other.family_name))
    given = close(folded(one.given_name), folded(other.given_name))
    if one.birth_date == other.birth_date and family and given:
        return "same birth date, same or similar name"
    swapped = close(folded(one.family_name), folded(other.given_name)) and close(
        folded(one.given_name), folded(other.family_name)
    )
    if one.birth_date == other.birth_date and swapped:
        return "same birth date, names the other way round"
    if family and given and _one_slip_apart(one.birth_date, other.birth_date):
        return "same or similar name, birth date differs in one part"
    return ""


def _one_slip_apart(one: date, other: date) -> bool:
    """Two of day, month and year agree, or day and month are swapped."""
    agree = (one.day == other.day) + (one.month == other.month) + (one.year == other.year)
    swapped = (one.day, one.month, one.year) == (other.month, other.day, other.year)
    return agree == 2 or swapped
