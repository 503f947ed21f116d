"""The Celery tasks of the job ledger, each one call."""

from uuid import UUID

from django.utils import timezone

from clinic.celery import app
from clinic.jobs import running, services


@app.task(name="clinic.jobs.tasks.run_job")
def run_job(run_id: str) -> None:
    running.run_job(UUID(run_id))


@app.task(name="clinic.jobs.tasks.sweep")
def sweep() -> None:
    services.sweep(now=timezone.now())


@app.task(name="clinic.jobs.tasks.start")
def start(kind: str) -> None:
    services.start_scheduled(kind, now=timezone.now())
