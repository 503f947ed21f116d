"""The fixed cast and the small named world that the tests share."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any
from uuid import UUID

import hypothesis
import pytest
from django.test import Client
from django.test.utils import override_settings

from clinic.models import AccessGrant, Assignment, Patient, PatientIdentity, Person, Unit
from clinic.staff.roles import Role
from tests import outcomes

# A loaded machine is slow, not wrong; and where a change is judged, the same examples are tried each time.
hypothesis.settings.register_profile(
    "clinic",
    deadline=None,
    max_examples=60,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
    derandomize=bool(os.environ.get("CI")),
)
hypothesis.settings.load_profile("clinic")

PASSWORD = "a long demo phrase"
# A Wednesday in winter: no clock change within three weeks on either side.
NOW = datetime(2026, 11, 25, 9, 41, tzinfo=UTC)


def pytest_configure(config: pytest.Config) -> None:
    outcomes.keep(config)


@pytest.fixture(scope="session", autouse=True)
def plain_static_files() -> Iterator[None]:
    """Static files under their own names, straight from the source, so that no test needs collectstatic."""
    storages = {
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    with override_settings(STORAGES=storages, WHITENOISE_AUTOREFRESH=True):
        yield


@dataclass(frozen=True)
class Cast:
    """One person per role; `outsider` is a therapist without any grant."""

    lead: Person
    therapist: Person
    colleague: Person
    manager: Person
    administrator: Person
    outsider: Person


@dataclass(frozen=True)
class World:
    """Two units, and four patients: two of the therapist's, one of the colleague's, one nobody's."""

    acute: Unit
    home: Unit
    mosswater: Patient
    pebblebrook: Patient
    thistledown: Patient
    unassigned: Patient


def make_person(username: str, role: Role, **fields: Any) -> Person:
    return Person.objects.create_person(
        username,
        password=None,
        given_name=fields.pop("given_name", username.title()),
        family_name=fields.pop("family_name", username.title()),
        role=role,
        **fields,
    )


def make_patient(
    family: str, given: str, born: date, number: str, *, unit: Unit, room: str = "", **fields: Any
) -> Patient:
    patient = Patient.objects.create(
        birth_year=born.year, unit=unit, room=room, state=fields.pop("state", "active"), **fields
    )
    PatientIdentity.objects.create(
        patient=patient,
        record_number=number,
        family_name=family,
        given_name=given,
        birth_date=born,
        name_sound=family.casefold(),
    )
    return patient


def assign(patient: Patient, therapist: Person, by: Person) -> None:
    Assignment.objects.create(patient=patient, therapist=therapist, by=by, started_at=NOW)
    AccessGrant.objects.create(
        patient=patient, person=therapist, why="assigned", from_at=datetime(2026, 1, 1, tzinfo=UTC)
    )


@pytest.fixture
def cast(db: None) -> Cast:
    return Cast(
        lead=make_person("saltmarsh", Role.LEAD, given_name="Mina", family_name="Saltmarsh", licensed=True),
        therapist=make_person(
            "quillfeather", Role.THERAPIST, given_name="Rowan", family_name="Quillfeather", licensed=True
        ),
        colleague=make_person("lindqvale", Role.THERAPIST, given_name="Tove", family_name="Lindqvale"),
        manager=make_person("fennimore", Role.MANAGER, given_name="Dara", family_name="Fennimore"),
        administrator=make_person("kestrelby", Role.ADMINISTRATOR, given_name="Ash", family_name="Kestrelby"),
        outsider=make_person("otterby", Role.THERAPIST, given_name="Arlo", family_name="Otterby"),
    )


@pytest.fixture
def world(cast: Cast) -> World:
    acute = Unit.objects.create(name="Acute ward", care_setting="acute", wakes_at=time(7), sleeps_at=time(22))
    home = Unit.objects.create(name="Home round", care_setting="home")
    world = World(
        acute=acute,
        home=home,
        mosswater=make_patient(
            "Mosswater", "Bryn", date(1958, 3, 14), "204118553", unit=acute, room="12",
            diagnosis_group="bronchiectasis", sex="male",
        ),
        pebblebrook=make_patient("Pebblebrook", "Ivo", date(1979, 9, 2), "204120007", unit=acute, room="3"),
        thistledown=make_patient("Thistledown", "Oona", date(2015, 5, 30), "204117940", unit=home),
        unassigned=make_patient("Heatherley", "Sol", date(1990, 1, 9), "204119001", unit=acute, state="referred"),
    )  # fmt: skip
    assign(world.mosswater, cast.therapist, cast.lead)
    assign(world.pebblebrook, cast.therapist, cast.lead)
    assign(world.thistledown, cast.colleague, cast.lead)
    return world


@pytest.fixture
def sign_in() -> Any:
    """A client signed in as the person given."""

    def as_person(person: Person) -> Client:
        client = Client()
        client.force_login(person)
        return client

    return as_person


@pytest.fixture
def some_id() -> UUID:
    return UUID("01999999-0000-7000-8000-000000000001")
