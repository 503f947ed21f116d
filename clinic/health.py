"""Whether the service lives, and whether it is ready: database, migrations, worker and beat."""

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, JsonResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.cache import never_cache

from clinic.access import public
from clinic.jobs.models import ProcessHeartbeat

FRESH = timedelta(seconds=60)


@dataclass(frozen=True)
class Check:
    """One thing that must be so, and what was found."""

    ok: bool
    detail: str


def readiness(*, now: datetime) -> dict[str, Check]:
    """Each check by name; without a database the others are not asked."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        checks = {"database": Check(True, "answers"), "migrations": _migrations()}
        if checks["migrations"].ok:
            checks |= {name: heartbeat(name, now=now) for name in ("worker", "beat")}
    except DatabaseError as error:
        return {"database": Check(False, f"does not answer ({type(error).__name__})")}
    return checks


def heartbeat(name: str, *, now: datetime) -> Check:
    """Whether the process `name` was alive within the last minute."""
    last = ProcessHeartbeat.objects.filter(name=name).values_list("at", flat=True).first()
    if last is None:
        return Check(False, "has not been heard yet")
    seconds = max(0, round((now - last).total_seconds()))
    return Check(now - last <= FRESH, f"heard {seconds} s ago")


def _migrations() -> Check:
    executor = MigrationExecutor(connection)
    wanted = len(executor.migration_plan(executor.loader.graph.leaf_nodes()))
    return Check(not wanted, "all applied" if not wanted else f"{wanted} not applied: manage.py migrate")


@public
@never_cache
def live(request: HttpRequest) -> JsonResponse:
    """The web process answers."""
    return JsonResponse({"status": "live"})


@public
@never_cache
def ready(request: HttpRequest) -> JsonResponse:
    """The service can do its work; 503 and what is wanting where it cannot."""
    checks = readiness(now=timezone.now())
    good = all(check.ok for check in checks.values())
    body = {
        "status": "ready" if good else "not ready",
        "checks": {name: asdict(check) for name, check in checks.items()},
    }
    return JsonResponse(body, status=200 if good else 503)


urlpatterns = [path("live", live, name="health-live"), path("ready", ready, name="health-ready")]
