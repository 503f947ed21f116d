"""The browser tests share one Chromium, one server and one clinic; the empty clinic comes before the full one."""

import os
from collections.abc import Iterator
from typing import Any

import pytest
from django.test.utils import setup_databases, teardown_databases

from clinic.models import Person
from tests.browser import stage as staging
from tests.browser.stage import Stage

EMPTY_FIRST = "test_empty_pages"


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What needs the empty clinic runs before the demo clinic is loaded, in whatever order the rest is."""
    here = [item for item in items if "tests/browser/" in str(item.path)]
    for item in here:
        item.add_marker(pytest.mark.browser)
    others = [item for item in items if item not in here]
    items[:] = others + sorted(here, key=lambda item: EMPTY_FIRST not in str(item.path))


@pytest.fixture(scope="session")
def served(django_db_blocker: Any, plain_static_files: None) -> Iterator[Stage]:
    """The app and the browser over a database of their own, which no test rolls back."""
    # The browser is driven from a running event loop, which the ORM would take for an async view.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with django_db_blocker.unblock():
        before = setup_databases(verbosity=0, interactive=False)
        try:
            with staging.stage() as made:
                yield made
        finally:
            teardown_databases(before, verbosity=0)


@pytest.fixture(scope="session")
def empty_clinic(served: Stage) -> Stage:
    staging.load_empty()
    return served


@pytest.fixture
def any_clinic(served: Stage) -> Stage:
    """Whichever clinic is loaded: for what is the same in each."""
    if not Person.objects.exists():
        staging.load_empty()
    return served


@pytest.fixture(scope="session")
def demo_clinic(served: Stage) -> Stage:
    staging.load_demo()
    served.close_tabs()
    return served
