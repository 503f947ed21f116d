"""A worker killed in the middle of its work loses nothing: the sweep has it finished, with the same result."""

import json
from typing import Any

from tests.operation.installation import CELERY, Installation, kill_outright, wait_until

ENQUEUE = """
import json
from clinic.jobs import services
run = services.enqueue({kind!r}, {key!r}, by=None, arguments={arguments!r})
print(json.dumps(str(run.pk)))
"""
SWEEP_A_MINUTE_LATER = """
import dataclasses, datetime, json
from django.utils import timezone
from clinic.jobs import services
swept = services.sweep(now=timezone.now() + datetime.timedelta(seconds=61))
print(json.dumps(dataclasses.asdict(swept)))
"""


def enqueue(installation: Installation, kind: str, key: str, **arguments: Any) -> None:
    installation.python(ENQUEUE.format(kind=kind, key=key, arguments=arguments))


def job(installation: Installation, key: str) -> dict[str, Any]:
    columns = "state, attempts, progress_done, progress_total, result, error"
    (row,) = installation.rows(f"SELECT {columns} FROM clinic_jobrun WHERE key = '{key}'")  # noqa: S608 (keys of this file)
    return dict(zip(columns.split(", "), row, strict=True))


def is_done(installation: Installation, key: str) -> bool:
    found = job(installation, key)
    assert found["state"] not in {"failed", "cancelled"}, found
    return bool(found["state"] == "done")


def result(installation: Installation, key: str) -> Any:
    kept = job(installation, key)["result"]
    return json.loads(kept) if isinstance(kept, str) else kept


def test_a_job_whose_worker_is_killed_is_done_again_from_the_start_with_the_same_result(
    installation: Installation,
) -> None:
    log = installation.folder / "worker.log"
    worker = installation.start_worker()
    enqueue(installation, "count-slowly", "undisturbed", steps=20, seconds=0.01)
    wait_until("the undisturbed job is done", lambda: is_done(installation, "undisturbed"), log=log)

    enqueue(installation, "count-slowly", "disturbed", steps=20, seconds=0.4)
    wait_until("it is under way", lambda: job(installation, "disturbed")["progress_done"] >= 2, log=log)
    kill_outright(worker)
    left = job(installation, "disturbed")
    assert (left["state"], left["attempts"]) == ("running", 1)
    assert left["progress_done"] < left["progress_total"]

    installation.start_worker()
    assert installation.python(SWEEP_A_MINUTE_LATER)["queued_again"] == 1
    wait_until("the disturbed job is done", lambda: is_done(installation, "disturbed"), log=log)
    assert job(installation, "disturbed")["attempts"] == 2
    assert result(installation, "disturbed") == result(installation, "undisturbed")


def test_a_job_asked_for_while_no_worker_runs_is_done_when_one_comes(installation: Installation) -> None:
    enqueue(installation, "count-slowly", "early", steps=2, seconds=0.01)
    installation.start_worker()
    wait_until("it is done", lambda: is_done(installation, "early"), log=installation.folder / "worker.log")


def test_worker_and_beat_are_heard_in_the_database(installation: Installation) -> None:
    installation.start_worker()
    installation.start([*CELERY, "beat", "--pidfile="], "beat.log")
    for name in ("worker", "beat"):
        wait_until(
            f"{name} is heard",
            lambda name=name: installation.rows(
                f"SELECT at FROM clinic_processheartbeat WHERE name = '{name}'"  # noqa: S608 (names of this file)
            ),
            log=installation.folder / f"{name}.log",
        )
        assert installation.manage("check_heartbeat", name).startswith(f"{name} heard")
