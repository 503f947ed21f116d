"""Assigning, covering, emergency access."""

from datetime import timedelta

import pytest
from django.utils import timezone

from clinic.access import NotPermitted, patients_visible_to
from clinic.assignments import services
from clinic.audit.models import AuditEvent
from clinic.models import AccessGrant, Assignment, ClinicNumber, Notice
from clinic.records import Refused
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db


def test_an_assigned_therapist_may_open_the_record_at_once(cast: Cast, world: World) -> None:
    services.assign(world.unassigned, to=cast.colleague, by=cast.lead)
    assert world.unassigned in patients_visible_to(cast.colleague)


def test_re_assigning_keeps_the_history_and_takes_the_old_therapists_access_away(
    cast: Cast, world: World
) -> None:
    new = services.assign(world.mosswater, to=cast.colleague, by=cast.lead, reason="Works this ward now.")
    old = Assignment.objects.get(patient=world.mosswater, therapist=cast.therapist)
    assert (old.ended_at, old.ended_reason, new.replaces) == (new.started_at, "Works this ward now.", old)
    assert world.mosswater not in patients_visible_to(cast.therapist)
    assert world.mosswater in patients_visible_to(cast.colleague)
    assert AuditEvent.objects.filter(action="re-assigned").count() == 1


def test_re_assigning_wants_a_reason_and_assigning_to_the_same_changes_nothing(
    cast: Cast, world: World
) -> None:
    with pytest.raises(Refused, match="why another"):
        services.assign(world.mosswater, to=cast.colleague, by=cast.lead)
    services.assign(world.mosswater, to=cast.therapist, by=cast.lead)
    assert Assignment.objects.filter(patient=world.mosswater).count() == 1


def test_only_the_lead_assigns_and_covers(cast: Cast, world: World) -> None:
    for person in (cast.therapist, cast.manager, cast.administrator):
        with pytest.raises(NotPermitted):
            services.assign(world.unassigned, to=cast.therapist, by=person)
        with pytest.raises(NotPermitted):
            services.cover(
                world.mosswater, to=cast.colleague, by=person, until=timezone.now() + timedelta(1), reason="x"
            )


def test_a_manager_or_a_closed_account_is_assigned_nobody(cast: Cast, world: World) -> None:
    type(cast.colleague).objects.filter(pk=cast.colleague.pk).update(is_active=False)
    cast.colleague.refresh_from_db()
    for person in (cast.manager, cast.colleague):
        with pytest.raises(Refused):
            services.assign(world.unassigned, to=person, by=cast.lead)


def test_covering_ends_by_itself_and_the_assigned_therapist_stays(cast: Cast, world: World) -> None:
    until = timezone.now() + timedelta(hours=8)
    services.cover(
        world.mosswater, to=cast.colleague, by=cast.lead, until=until, reason="R. Quillfeather off sick"
    )
    assert world.mosswater in patients_visible_to(cast.colleague)
    assert Assignment.objects.get(patient=world.mosswater, ended_at__isnull=True).therapist == cast.therapist
    AccessGrant.objects.filter(why="covering").update(until_at=timezone.now())
    assert world.mosswater not in patients_visible_to(cast.colleague)


def test_covering_twice_makes_one_grant_and_a_longer_one_is_added(cast: Cast, world: World) -> None:
    until = timezone.now() + timedelta(hours=8)
    for hours in (0, 0, 4):
        services.cover(
            world.mosswater, to=cast.colleague, by=cast.lead, until=until + timedelta(hours=hours), reason="x"
        )
    assert AccessGrant.objects.filter(why="covering").count() == 2


def test_emergency_access_lasts_eight_hours_wants_a_reason_and_tells_the_lead(
    cast: Cast, world: World
) -> None:
    with pytest.raises(Refused):
        services.emergency_access(world.mosswater, by=cast.outsider, reason=" ")
    granted = services.emergency_access(
        world.mosswater, by=cast.outsider, reason="Called by the ward, desaturating."
    )
    assert granted.until_at - granted.from_at == timedelta(hours=8)
    assert world.mosswater in patients_visible_to(cast.outsider)
    notice = Notice.objects.get()
    assert (notice.to, notice.kind, notice.patient) == (cast.lead, "emergency", world.mosswater)
    assert "desaturating" in notice.words
    assert "Mosswater" not in notice.words
    assert AuditEvent.objects.get(action="emergency access").reason == "Called by the ward, desaturating."


def test_the_hours_of_emergency_access_are_the_clinics_number(cast: Cast, world: World) -> None:
    ClinicNumber.objects.create(name="emergency_access_hours", value=2, reason="House rule.")
    granted = services.emergency_access(world.mosswater, by=cast.outsider, reason="Called.")
    assert granted.until_at - granted.from_at == timedelta(hours=2)


def test_emergency_access_is_for_therapists_who_may_not_open_the_record(cast: Cast, world: World) -> None:
    with pytest.raises(Refused, match="already"):
        services.emergency_access(world.mosswater, by=cast.therapist, reason="Called.")
    for person in (cast.manager, cast.administrator, cast.lead):
        with pytest.raises(NotPermitted):
            services.emergency_access(world.mosswater, by=person, reason="Called.")
