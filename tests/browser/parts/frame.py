"""The frame and the pages of jobs."""

from typing import Any

from clinic.models import JobRun
from clinic.staff.roles import Role
from tests.browser.seen import Seen, press


def a_job() -> dict[str, Any]:
    """The job that is at work."""
    return {"run_id": JobRun.objects.get(key="seen-in-its-middle").pk}


PAGES = [
    Seen("sign-in", None, wrong=press("Sign in")),
    Seen("job", Role.LEAD, a_job),
]

NOT_PAGES = {"sign-out", "theme", "job-state", "job-cancel", "health-live", "health-ready"}
