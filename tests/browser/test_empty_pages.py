"""Every page in the clinic before its first record: it says what is not there, and passes axe."""

import pytest

from tests.browser import checks
from tests.browser.chromium import TABLET, violations
from tests.browser.pages import EMPTY
from tests.browser.seen import Seen
from tests.browser.stage import Stage

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize("seen", EMPTY, ids=[page.name for page in EMPTY])
def test_an_empty_page_passes_axe_and_has_no_blanks(empty_clinic: Stage, seen: Seen) -> None:
    page = empty_clinic.tab(seen.role)
    page.set_viewport_size({"width": TABLET[0], "height": TABLET[1]})
    empty_clinic.troubles.clear()
    answer = page.goto(seen.address())
    assert answer is not None
    assert answer.status == 200
    assert violations(page) == []
    assert checks.misread_words(checks.text_of(page)) == []
    blanks = page.locator("td, dd").evaluate_all(
        "cells => cells.filter(c => !c.textContent.trim() && !c.children.length).length"
    )
    assert blanks == 0
    assert page.locator("ul:empty, ol:empty, tbody:empty").count() == 0
    assert empty_clinic.troubles == []
