"""The commands and jobs that make and close due windows."""

from datetime import timedelta

import pytest
from django.core.management import call_command

from clinic.jobs.registry import handler
from tests.conftest import NOW

pytestmark = pytest.mark.django_db


def test_each_command_says_what_it_did_and_does_nothing_the_second_time(world, ordered, clock, capsys):
    ordered(world.mosswater)
    clock.shift(timedelta(days=1))
    said = []
    for command in ("top_up_windows", "top_up_windows", "close_windows", "close_windows"):
        call_command(command)
        said.append(capsys.readouterr().out.strip())
    assert said == [
        "3 due windows made",
        "0 due windows made",
        "2 due windows closed",
        "0 due windows closed",
    ]


def test_the_jobs_of_due_windows_have_one_run_in_each_slot():
    closing, topping_up = handler("close-due-windows"), handler("top-up-due-windows")
    assert closing.slot is not None
    assert topping_up.slot is not None
    assert closing.slot(NOW) == closing.slot(NOW + timedelta(minutes=3)) == "2026-11-25T09:30+00:00"
    assert topping_up.slot(NOW) == "2026-11-25"
