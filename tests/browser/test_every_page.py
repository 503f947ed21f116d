"""Every page in its fullest state: reachable by all, at every size, in light and dark, and nothing to misread."""

import pytest

from clinic.access import endpoints
from tests.browser import checks
from tests.browser.chromium import DESKTOP, NARROW, SIZES, TABLET, violations
from tests.browser.pages import NOT_PAGES, PAGES, PDFS
from tests.browser.seen import Seen
from tests.browser.stage import Stage

pytestmark = [pytest.mark.browser, pytest.mark.slow]
each_page = pytest.mark.parametrize("seen", PAGES, ids=[page.name for page in PAGES])


def test_every_address_that_shows_a_page_is_in_the_table() -> None:
    named = {name for _, name, _ in endpoints() if name}
    listed = {seen.url for seen in [*PAGES, *PDFS]}
    assert named - listed - NOT_PAGES == set()
    assert listed - named == set()
    assert NOT_PAGES - named == set()


@each_page
def test_the_page_passes_axe_and_reflows_at_every_size_in_light_and_dark(
    demo_clinic: Stage, seen: Seen
) -> None:
    """axe-core with the tags up to wcag22aa, at 1280x800, 800x1280 and 320 px wide; WCAG 2.2, 1.4.10 reflow."""
    page = demo_clinic.tab(seen.role)
    demo_clinic.troubles.clear()
    answer = page.goto(seen.address())
    assert answer is not None
    assert answer.status == 200
    if seen.ready:
        seen.ready(page)
    found: list[str] = []
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        for theme in ("light", "dark"):
            page.emulate_media(color_scheme=theme)  # type: ignore[arg-type]  # one of the two it takes
            found += [f"{size}, {theme}: {words}" for words in violations(page)]
        found += [f"{size}, scrolls sideways: {html}" for html in checks.sideways(page)]
    assert found == []
    assert demo_clinic.troubles == []


@each_page
def test_the_page_is_read_and_used_as_it_should_be(demo_clinic: Stage, seen: Seen) -> None:
    """Words that are misread, identity, sizes for the bedside, focus in sight, text at 200 %."""
    page = demo_clinic.tab(seen.role)
    page.set_viewport_size({"width": TABLET[0], "height": TABLET[1]})
    page.goto(seen.address())
    if seen.ready:
        seen.ready(page)
    assert checks.misread_words(checks.text_of(page)) == []
    assert checks.banners(page) == (1 if seen.patient else 0)
    assert checks.wordless_signs(page) == []
    assert checks.small_targets(page, 44) == []
    assert checks.hidden_focus(page) == []
    # WCAG 2.2, 1.4.4: twice the text size on the desktop.
    page.set_viewport_size({"width": DESKTOP[0], "height": DESKTOP[1]})
    page.evaluate("() => { document.documentElement.style.fontSize = '200%'; }")
    assert checks.sideways(page) == []


@pytest.mark.parametrize("seen", [p for p in PAGES if p.wrong], ids=[p.name for p in PAGES if p.wrong])
def test_a_page_with_errors_says_what_is_wrong_and_passes_axe(demo_clinic: Stage, seen: Seen) -> None:
    """GOV.UK error summary: on top, with the focus, each line a link to its field, title "Error: ..."."""
    page = demo_clinic.tab(seen.role)
    page.set_viewport_size({"width": TABLET[0], "height": TABLET[1]})
    page.goto(seen.address())
    if seen.ready:
        seen.ready(page)
    assert seen.wrong
    seen.wrong(page)
    summary = page.locator("[data-error-summary]")
    summary.wait_for()
    assert page.title().startswith("Error: ")
    page.wait_for_function("() => document.activeElement?.hasAttribute('data-error-summary')")
    for target in summary.locator("a").evaluate_all("links => links.map(a => a.getAttribute('href'))"):
        assert page.locator(target).count() == 1, target
    assert violations(page) == []
    page.set_viewport_size({"width": NARROW[0], "height": NARROW[1]})
    assert checks.sideways(page) == []
