"""Log lines are JSON, carry the id of the request, and quote neither what was searched for nor a record."""

import json
import logging
from collections.abc import Iterator
from io import StringIO

import pytest
from django.conf import settings
from django.test import Client

from clinic.logs import PlainJson, RequestIdFilter
from clinic.request_context import accepted_or_new, current_request_id, working_on


@pytest.fixture
def lines() -> Iterator[StringIO]:
    """What a handler with the formatter and the filter of the settings writes."""
    assert settings.LOGGING["formatters"]["json"]["()"] == "clinic.logs.PlainJson"
    assert settings.LOGGING["filters"]["request_id"]["()"] == "clinic.logs.RequestIdFilter"
    written = StringIO()
    handler = logging.StreamHandler(written)
    handler.setFormatter(PlainJson(settings.LOGGING["formatters"]["json"]["fmt"]))
    handler.addFilter(RequestIdFilter())
    logging.getLogger().addHandler(handler)
    yield written
    logging.getLogger().removeHandler(handler)


@pytest.mark.django_db
def test_each_request_is_one_json_line_by_route_with_the_id_that_the_answer_carries(
    client: Client, lines: StringIO
) -> None:
    answer = client.get("/health/live?name=Mosswater", headers={"X-Request-ID": "ward-tablet-7-0001"})
    (line,) = [json.loads(text) for text in lines.getvalue().splitlines() if "clinic.requests" in text]
    assert answer.headers["X-Request-ID"] == line["request_id"] == "ward-tablet-7-0001"
    assert (line["method"], line["route"], line["status"]) == ("GET", "health/live", 200)
    assert "Mosswater" not in lines.getvalue()


def test_an_offered_id_is_taken_only_where_it_is_plain_and_fits_the_audit_row() -> None:
    assert accepted_or_new("abc.DEF_123-4") == "abc.DEF_123-4"
    for offered in ("", "short", "a" * 41, 'quote"and{brace}', "two\nlines-in-one", "späte-anfrage"):
        made = accepted_or_new(offered)
        assert made != offered
        assert len(made) == 16


def test_the_id_ends_with_the_work() -> None:
    with working_on("first-job-00"):
        with working_on("second-job-0"):
            assert current_request_id() == "second-job-0"
        assert current_request_id() == "first-job-00"
    assert current_request_id() == ""


def test_an_error_is_logged_by_type_and_place_and_never_by_its_message(lines: StringIO) -> None:
    name, born = "MOSSWATER, Bryn", "14-Mar-1958"
    try:
        try:
            raise KeyError(name)
        except KeyError as error:
            raise ValueError(born) from error
    except ValueError:
        logging.getLogger("clinic.jobs").exception("the job failed")
    line = json.loads(lines.getvalue())
    assert "builtins.ValueError" in line["exc_info"]
    assert "caused by builtins.KeyError" in line["exc_info"]
    assert "test_an_error_is_logged" in line["exc_info"]
    assert name not in lines.getvalue()
    assert born not in lines.getvalue()


@pytest.mark.django_db
def test_a_page_that_is_not_there_is_logged_without_what_was_asked_for(
    client: Client, lines: StringIO
) -> None:
    assert client.get("/nowhere/?name=Mosswater").status_code == 404
    assert "Not Found: /nowhere/" in lines.getvalue()
    assert "Mosswater" not in lines.getvalue()
