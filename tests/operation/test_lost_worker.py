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
# The report of the last full week by the same function in one go, undone again.
UNDISTURBED_REPORT = """
import datetime, json
from django.db import transaction
from clinic.calendar import Week
from therapy.reports import services as reports
with transaction.atomic():
    as_of = datetime.datetime.fromisoformat({as_of!r})
    report = reports.build_weekly(Week.parse({week!r}), as_of=as_of, by=None).report
    print(json.dumps([report.pdf_sha256, report.input_hash, len(report.pdf)]))
    transaction.set_rollback(True)
"""
LAST_WEEK = """
import json
from django.utils import timezone
from therapy.reports import services as reports
now = timezone.now()
print(json.dumps([now.isoformat(), str(reports.current_week(now).shifted(-1))]))
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


def test_the_weekly_report_whose_worker_is_killed_while_it_draws_is_the_file_of_an_undisturbed_run(
    installation: Installation,
) -> None:
    log = installation.folder / "worker.log"
    installation.manage("load_demo", "--small")
    as_of, week = installation.python(LAST_WEEK)
    undisturbed = installation.python(UNDISTURBED_REPORT.format(as_of=as_of, week=week))
    stored = "SELECT pdf_sha256, input_hash, length(pdf), revision FROM therapy_storedreport"
    assert installation.rows(stored) == []

    worker = installation.start_worker()
    enqueue(installation, "weekly-report", week, as_of=as_of)
    wait_until("the pages are drawn", lambda: job(installation, week)["progress_done"] == 5, log=log)
    kill_outright(worker)
    left = job(installation, week)
    assert (left["state"], left["progress_done"], left["progress_total"]) == ("running", 5, 6)
    assert installation.rows(stored) == []

    installation.start_worker()
    assert installation.python(SWEEP_A_MINUTE_LATER)["queued_again"] == 1
    wait_until("the report is stored", lambda: is_done(installation, week), log=log)
    assert job(installation, week)["attempts"] == 2
    assert installation.rows(stored) == [(*undisturbed, 1)]
    assert undisturbed[2] > 10_000


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
