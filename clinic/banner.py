"""What the identity banner of a single-patient page shows, as written text and in its fixed order."""

import datetime as dt
import uuid
from dataclasses import dataclass
from typing import Self

from clinic import formats


@dataclass(frozen=True)
class PatientBanner:
    """Name, birth date with age, gender, number, place, and signs such as an isolation note.

    Each sign is (words, kind), kind one of plain, look, stop. `patient_id` is not shown.
    """

    name: str
    born: str
    gender: str
    number: str
    place: str = ""
    preferred_name: str = ""
    signs: tuple[tuple[str, str], ...] = ()
    patient_id: uuid.UUID | None = None

    @classmethod
    def of(
        cls,
        *,
        family: str,
        given: str,
        birth_date: dt.date | None,
        gender: str,
        number: str,
        on: dt.date,
        title: str = "",
        preferred_name: str = "",
        place: str = "",
        signs: tuple[tuple[str, str], ...] = (),
        patient_id: uuid.UUID | None = None,
    ) -> Self:
        """Write a banner from what is stored; `on` is the day the age is told for."""
        return cls(
            name=formats.name(family, given, title),
            born=formats.born(birth_date, on),
            gender=formats.or_not_recorded(gender),
            number=formats.patient_number(number),
            place=place,
            preferred_name=preferred_name,
            signs=signs,
            patient_id=patient_id,
        )
