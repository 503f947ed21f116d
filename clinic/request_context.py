"""Carries the id of the request or job being worked on, so that logs and audit rows can name it."""

import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_current: ContextVar[str] = ContextVar("request_id", default="")
_ACCEPTED = re.compile(r"[A-Za-z0-9._-]{8,40}")


def current_request_id() -> str:
    """The id of what is being worked on; empty outside a request, job or command."""
    return _current.get()


def accepted_or_new(offered: str) -> str:
    """The offered id where it is plain text of 8 to 40 characters, else a new one."""
    return offered if _ACCEPTED.fullmatch(offered) else secrets.token_hex(8)


@contextmanager
def working_on(request_id: str) -> Iterator[str]:
    """Names `request_id` in every log line and audit row written inside."""
    token = _current.set(request_id)
    try:
        yield request_id
    finally:
        _current.reset(token)
