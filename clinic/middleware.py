"""What happens around each request: an id for its log lines, and one line when it is done."""

import logging
import time
from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from clinic.logs import RequestIdFilter
from clinic.request_context import accepted_or_new, working_on

__all__ = ["RequestId", "RequestIdFilter"]

logger = logging.getLogger("clinic.requests")


class RequestId:
    """Names the request, answers with its id, and logs it by route, never by query or form."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with working_on(accepted_or_new(request.headers.get("X-Request-ID", ""))) as request_id:
            started = time.monotonic()
            response = self.get_response(request)
            response.headers["X-Request-ID"] = request_id
            logger.info(
                "request",
                extra={
                    "method": request.method,
                    "route": request.resolver_match.route if request.resolver_match else "",
                    "status": response.status_code,
                    "milliseconds": round((time.monotonic() - started) * 1000),
                },
            )
            return response
