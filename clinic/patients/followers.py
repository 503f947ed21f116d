"""What else must happen, in the same transaction, when a patient leaves the caseload or changes the care setting.

Patients stand left of orders and never import them; the parts on the right put themselves here when the app
starts (therapy/apps.py).
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from clinic.patients.models import CareSettingChange, Patient
from clinic.staff.models import Person


@dataclass(frozen=True, slots=True)
class PatientLeft:
    """A patient was discharged, or died."""

    how: Literal["discharged", "died"]
    patient: Patient
    by: Person
    at: datetime
    reason: str


Follower = Callable[[PatientLeft], None]
MoveFollower = Callable[[CareSettingChange], None]
_followers: list[Follower] = []
_move_followers: list[MoveFollower] = []


def follow(follower: Follower) -> None:
    """Have a function called on every later event, once however often it is put here."""
    if follower not in _followers:
        _followers.append(follower)


def tell(event: PatientLeft) -> None:
    """Call every follower; an error in one undoes the whole act."""
    for follower in _followers:
        follower(event)


def follow_moves(follower: MoveFollower) -> None:
    """Have a function called on every later change of care setting, once however often it is put here."""
    if follower not in _move_followers:
        _move_followers.append(follower)


def tell_moved(change: CareSettingChange) -> None:
    """Call every follower of a change of care setting; an error in one undoes the whole act."""
    for follower in _move_followers:
        follower(change)
