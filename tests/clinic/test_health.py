"""Health answers say what is wanting, so that whoever is woken knows where to look."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import OperationalError
from django.test import Client
from django.utils import timezone

from clinic import health
from clinic.jobs.clock import note_alive
from clinic.models import ProcessHeartbeat

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _keep_the_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    """note_alive closes the connection of its own thread; a test's holds the test's transaction."""
    monkeypatch.setattr("clinic.jobs.clock.connection.close", lambda: None)


def test_the_live_address_answers_without_asking_the_database(
    client: Client, django_assert_num_queries
) -> None:
    with django_assert_num_queries(0):
        answer = client.get("/health/live")
    assert (answer.status_code, answer.json()) == (200, {"status": "live"})
    assert "no-cache" in answer.headers["Cache-Control"]


def test_ready_wants_worker_and_beat_heard_within_the_last_minute(client: Client) -> None:
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["checks"]["database"]["ok"]
    assert answer.json()["checks"]["migrations"]["ok"]
    assert answer.json()["checks"]["worker"] == {"ok": False, "detail": "has not been heard yet"}
    note_alive("worker")
    note_alive("beat")
    assert client.get("/health/ready").json()["status"] == "ready"
    ProcessHeartbeat.objects.filter(name="beat").update(at=timezone.now() - timedelta(seconds=75))
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert [name for name, check in answer.json()["checks"].items() if not check["ok"]] == ["beat"]
    assert answer.json()["checks"]["beat"]["detail"] == "heard 75 s ago"


def test_a_migration_that_is_not_applied_makes_it_unready_and_names_the_command(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health.MigrationExecutor, "migration_plan", lambda self, targets: [("one", False)])
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["checks"]["migrations"]["detail"] == "1 not applied: manage.py migrate"


def test_a_database_that_is_away_is_said_without_its_address(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse() -> None:
        raise OperationalError("connection to server at 10.1.2.3 failed for user clinic")

    monkeypatch.setattr(health.connection, "cursor", refuse)
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["checks"] == {
        "database": {"ok": False, "detail": "does not answer (OperationalError)"}
    }


def test_the_container_check_fails_for_a_silent_process_and_passes_for_a_live_one() -> None:
    with pytest.raises(CommandError, match="worker has not been heard yet"):
        call_command("check_heartbeat", "worker")
    note_alive("worker")
    said = StringIO()
    call_command("check_heartbeat", "worker", stdout=said)
    assert said.getvalue().startswith("worker heard")
