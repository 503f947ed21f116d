"""What holds a due window, asked while it runs: what was found or decided since its start counts at once."""

from datetime import timedelta

import pytest
from django.utils import timezone

from screening import services
from tests.conftest import NOW
from therapy.models import DueWindow
from therapy.scheduling import board, selectors

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def window(world, ordered):
    """Open since half an hour."""
    order = ordered(world.mosswater)
    return DueWindow.objects.create(
        order=order, patient=world.mosswater, technique="pep", service_date=NOW.date(), ordinal=77, minutes=30,
        earliest=NOW - 30 * MINUTE, latest=NOW + 30 * MINUTE,
    )  # fmt: skip


def held(window, lead):
    """As the round says it, and as the day's board says it."""
    shown = {
        free.id: free.held
        for group in board.board_of(lead, NOW.date(), timezone.now()).free
        for free in group.windows
    }
    told = selectors.holds_of([window]).get(window.pk, "")
    assert bool(shown[window.pk]) is bool(told)
    return told


def test_a_finding_holds_a_window_that_is_open_already_and_a_decision_lets_it_go(window, world, cast, clock):
    assert held(window, cast.lead) == ""
    clock.shift(MINUTE)
    row = services.record_screening(
        by=cast.therapist,
        patient=world.mosswater,
        answers={"epistaxis": "yes"},
        at=NOW + MINUTE,
        keep="all",
    )
    assert "Epistaxis" in held(window, cast.lead)
    services.decide(
        by=cast.lead, screening=row, technique="pep", proceed=True, reason_code="with_monitoring",
        reason="Packed and dry", at=NOW + MINUTE, expires_at=NOW + 60 * MINUTE,
    )  # fmt: skip
    clock.shift(MINUTE)
    assert held(window, cast.lead) == ""
