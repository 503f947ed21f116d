"""The Celery app: a doorbell for the job ledger, and the clock that rings it.

Nothing is kept here: what is to be done stands in JobRun, and a message lost with the broker is rung again by
the sweep. Task arguments are ids and names of kinds.
"""

import os
from typing import Any

from celery import Celery
from celery.schedules import crontab
from celery.signals import setup_logging, worker_ready, worker_shutting_down

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")

from django.conf import settings

app = Celery("clinic")


def _transport() -> dict[str, Any]:
    if settings.ENVIRONMENT.broker_url.startswith("filesystem"):
        folder = settings.DATA_DIR / "broker"
        for name in ("messages", "control"):
            (folder / name).mkdir(parents=True, exist_ok=True)
        return {
            "data_folder_in": str(folder / "messages"),
            "data_folder_out": str(folder / "messages"),
            "control_folder": str(folder / "control"),
            # Celery's default picks a message up after as much as ten seconds.
            "polling_interval": 0.1,
        }
    return {"socket_connect_timeout": 2, "socket_keepalive": True}


def _start(kind: str, schedule: crontab) -> dict[str, Any]:
    return {"task": "clinic.jobs.tasks.start", "args": [kind], "schedule": schedule}


app.conf.update(
    broker_url=settings.ENVIRONMENT.broker_url,
    broker_transport_options=_transport(),
    broker_connection_retry_on_startup=True,
    broker_connection_max_retries=None,
    timezone=settings.TIME_ZONE,
    enable_utc=True,
    task_ignore_result=True,
    # A doorbell that does not ring must not hold up the person who pressed it: the sweep rings again.
    task_publish_retry=False,
    task_default_queue="clinic",
    worker_prefetch_multiplier=1,
    worker_enable_remote_control=False,
    worker_send_task_events=False,
    worker_hijack_root_logger=False,
    beat_scheduler="clinic.jobs.clock:BeatingScheduler",
    beat_schedule_filename=str(settings.DATA_DIR / "beat-schedule"),
    beat_max_loop_interval=10,
)

# Each entry rings more often than its job is due: the job's key (a quarter hour, a day), or for the weekly report
# what is stored, makes a second ring harmless, and a ring that was lost is made good by the next.
app.conf.beat_schedule = {
    "sweep the job ledger": {
        "task": "clinic.jobs.tasks.sweep",
        "schedule": 60.0,
        "options": {"expires": 60.0},
    },
    "flag overdue reassessments": _start("flag-overdue-reassessments", crontab(minute="*/15")),
    "close due windows": _start("close-due-windows", crontab(minute="*/15")),
    "tell holds": _start("tell-holds", crontab(minute="*/15")),
    "top up due windows": _start("top-up-due-windows", crontab(minute="10")),
    "weekly report": _start("weekly-report", crontab(minute="20")),
}
app.autodiscover_tasks(["clinic.jobs", "therapy"])


@setup_logging.connect
def _keep_the_log_settings_of_django(**_: object) -> None:
    """Being connected is enough: Celery then leaves the logging set up by the settings alone."""


@worker_ready.connect
def _start_the_heartbeat(**_: object) -> None:
    from clinic.jobs.clock import start_heartbeat

    start_heartbeat("worker")


@worker_shutting_down.connect
def _stop_the_heartbeat(**_: object) -> None:
    from clinic.jobs.clock import stop_heartbeat

    stop_heartbeat()
