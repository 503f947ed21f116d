"""What a referral file says of contraindications, handed to the part that knows the rule table.

Referrals stand left of screening and never import it; screening puts itself here when the app starts
(therapy/apps.py): which keys there are, and what must happen when a file answers some of them with yes.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from clinic.patients.models import Patient
from clinic.staff.models import Person


@dataclass(frozen=True, slots=True)
class ConditionsTold:
    """A referral file says that these conditions are so."""

    patient: Patient
    conditions: tuple[str, ...]
    by: Person
    source: str


Keys = Callable[[], Iterable[str]]
Follower = Callable[[ConditionsTold], None]
_keys: list[Keys] = []
_followers: list[Follower] = []


def follow(follower: Follower, *, keys: Keys) -> None:
    """Have a function called on every later event, and ask it which keys there are; once however often put here."""
    if follower not in _followers:
        _followers.append(follower)
        _keys.append(keys)


def known_conditions() -> frozenset[str]:
    """The keys that a file may answer with yes."""
    return frozenset(key for keys in _keys for key in keys())


def tell(event: ConditionsTold) -> None:
    """Call every follower; an error in one undoes the whole piece of the file."""
    for follower in _followers:
        follower(event)
