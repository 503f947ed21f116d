"""What else must happen, in the same transaction, when an order starts, changes or ends.

Orders stand left of scheduling and never import it; scheduling puts itself here when the app starts
(therapy/apps.py). Whatever is missed is caught up by the nightly job, which derives it from the tables.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from clinic.models import Person
from therapy.orders.models import Order


@dataclass(frozen=True, slots=True)
class OrderEvent:
    """An order started, or ended; a change is the end of the old row and the start of the new one."""

    what: Literal["started", "ended"]
    order: Order
    by: Person
    at: datetime
    reason: str


Follower = Callable[[OrderEvent], None]
_followers: list[Follower] = []


def follow(follower: Follower) -> None:
    """Have a function called on every later event, once however often it is put here."""
    if follower not in _followers:
        _followers.append(follower)


def tell(event: OrderEvent) -> None:
    """Call every follower; an error in one undoes the whole act."""
    for follower in _followers:
        follower(event)
