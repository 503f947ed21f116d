"""Counts slowly and keeps a sum that shows whether any step was left out or done twice."""

import hashlib
import time
from typing import Any

from clinic.jobs.registry import handles
from clinic.jobs.running import Running


@handles("count-slowly", title="Count slowly")
def count_slowly(running: Running) -> dict[str, Any]:
    steps = int(running.arguments["steps"])
    digest = hashlib.sha256()
    for step in range(1, steps + 1):
        digest.update(f"{step};".encode())
        time.sleep(float(running.arguments["seconds"]))
        running.progress(step, steps, "steps")
    return {"words": digest.hexdigest()}
