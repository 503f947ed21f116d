"""The app, served from this process over a filled test database, and the way in as each person."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.conf import settings
from django.contrib.staticfiles.handlers import StaticFilesHandler
from django.db import connections
from django.test import Client
from django.test.testcases import LiveServerThread
from playwright.sync_api import Browser, BrowserContext

from clinic.models import Person


@contextmanager
def serving() -> Iterator[str]:
    """Serve the app on a free port and give its address."""
    shared = {
        connection.alias: connection
        for connection in connections.all()
        if connection.vendor == "sqlite" and connection.is_in_memory_db()  # type: ignore[attr-defined]
    }
    for connection in shared.values():
        connection.inc_thread_sharing()
    thread = LiveServerThread("127.0.0.1", StaticFilesHandler, connections_override=shared)
    thread.daemon = True
    thread.start()
    thread.is_ready.wait()
    if thread.error:
        raise thread.error
    try:
        yield f"http://127.0.0.1:{thread.port}"
    finally:
        thread.terminate()
        for connection in shared.values():
            connection.dec_thread_sharing()


def signed_in(browser: Browser, address: str, person: Person | None, **options: object) -> BrowserContext:
    """A browser context with the person's session; without a person, of somebody not signed in."""
    context = browser.new_context(base_url=address, locale="de-DE", **options)  # type: ignore[arg-type]
    if person is not None:
        client = Client()
        client.force_login(person)
        cookie = client.cookies[settings.SESSION_COOKIE_NAME]
        context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": address}])
    return context
