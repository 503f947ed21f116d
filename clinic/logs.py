"""JSON log lines that carry the request id and never a patient's data.

The message of an exception may quote a value (a database names the row it refused), so an error is logged
by its type and the places in the code it went through, without its message.
"""

import logging
import traceback
from types import TracebackType
from typing import Any

from pythonjsonlogger.core import RESERVED_ATTRS
from pythonjsonlogger.json import JsonFormatter

from clinic.request_context import current_request_id

ExceptionInfo = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


class RequestIdFilter(logging.Filter):
    """Adds the id of the request or job at hand to each record."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.request_id = current_request_id()
        return True


class PlainJson(JsonFormatter):
    """One JSON object a line; of an exception only its type and places, of a request only its id."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        # Django hands the request itself to its log records; written out it would show the query.
        super().__init__(*args, reserved_attrs=[*RESERVED_ATTRS, "request"], **kwargs)

    def formatException(self, ei: Any) -> str:  # noqa: N802 (the name is logging's)
        chain: list[str] = []
        error: BaseException | None = ei[1]
        while error is not None:
            places = "".join(traceback.format_tb(error.__traceback__)).rstrip()
            chain.append(f"{type(error).__module__}.{type(error).__qualname__} at\n{places}")
            error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
        return "\ncaused by ".join(chain)
