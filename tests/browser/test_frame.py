"""What the frame does in the browser: errors through htmx, one press, the live region, keyboard, colours, paste."""

import pytest
from playwright.sync_api import Page

from clinic.staff.roles import Role
from tests.browser.stage import Stage

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def sign_in_page(any_clinic: Stage) -> Page:
    page = any_clinic.tab(None)
    page.goto("/sign-in")
    return page


def test_an_invalid_form_sent_by_htmx_is_shown_with_the_focus_on_what_is_wrong(sign_in_page: Page) -> None:
    """htmx drops a 422 unless configured (bigskysoftware/htmx issue 2042) and may lose the focus (1431)."""
    sign_in_page.evaluate(
        """() => {
          const form = document.querySelector('main form');
          form.setAttribute('hx-post', '/sign-in');
          form.setAttribute('hx-target', 'main');
          form.setAttribute('hx-select', 'main');
          form.setAttribute('hx-swap', 'outerHTML');
          htmx.process(form);
          window.stayed = true;
        }"""
    )
    sign_in_page.get_by_label("Name").fill("nobody")
    sign_in_page.get_by_role("button", name="Sign in", exact=True).click()
    sign_in_page.wait_for_function("() => document.activeElement.hasAttribute('data-error-summary')")
    assert sign_in_page.evaluate("() => window.stayed") is True
    assert sign_in_page.title().startswith("Error: ")
    assert sign_in_page.get_by_label("Name").input_value() == "nobody"


def test_a_second_press_within_two_seconds_sends_nothing(sign_in_page: Page) -> None:
    sent: list[str] = []
    sign_in_page.route("**/theme", lambda route: (sent.append(route.request.method), route.abort()))
    sign_in_page.evaluate(
        """() => { const form = document.querySelector('.foot-of-page form');
                   form.requestSubmit(); form.requestSubmit(); form.requestSubmit(); }"""
    )
    sign_in_page.wait_for_timeout(300)
    sign_in_page.unroute("**/theme")
    assert sent == ["POST"]


def test_news_from_the_server_is_put_into_the_live_region_that_is_there_before(sign_in_page: Page) -> None:
    """WCAG 2.2, 4.1.3: announced without taking the focus."""
    region = sign_in_page.locator("#announcement")
    assert region.get_attribute("aria-live") == "polite"
    assert region.inner_text() == ""
    sign_in_page.evaluate("() => htmx.trigger(document.body, 'announce', {value: '12 patients'})")
    assert region.text_content() == "12 patients"


def test_the_first_tab_stop_skips_to_the_main_part(any_clinic: Stage) -> None:
    page = any_clinic.tab(None)
    page.goto("/no-such-page")
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.textContent") == "Skip to the main part"
    page.keyboard.press("Enter")
    assert page.evaluate("() => document.activeElement.id") == "main"


def test_the_password_can_be_pasted(sign_in_page: Page) -> None:
    """WCAG 2.2, 3.3.8: nothing stops a password manager or the clipboard."""
    sign_in_page.get_by_label("Password").focus()
    sign_in_page.keyboard.insert_text("a pasted phrase")
    assert sign_in_page.get_by_label("Password").input_value() == "a pasted phrase"


def test_the_colours_change_with_the_keyboard_alone_and_stay(any_clinic: Stage) -> None:
    page = any_clinic.tab(Role.LEAD)
    page.goto("/")

    def ground() -> str:
        return str(page.evaluate("() => getComputedStyle(document.documentElement).backgroundColor"))

    light = ground()
    page.get_by_role("button", name="Dark", exact=True).focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("html[data-theme=dark]")
    assert ground() != light
    page.goto("/")
    assert page.locator("html[data-theme=dark]").count() == 1
    page.get_by_role("button", name="As the device").click()
    page.wait_for_selector("html:not([data-theme])")
    assert ground() == light


def test_a_press_that_is_moved_off_the_button_does_nothing(sign_in_page: Page) -> None:
    """WCAG 2.2, 2.5.2: the act happens on the way up, and can be left."""
    box = sign_in_page.get_by_role("button", name="Sign in", exact=True).bounding_box()
    assert box
    before = sign_in_page.url
    sign_in_page.mouse.move(box["x"] + 5, box["y"] + 5)
    sign_in_page.mouse.down()
    sign_in_page.mouse.move(5, 5)
    sign_in_page.mouse.up()
    sign_in_page.wait_for_timeout(100)
    assert sign_in_page.url == before
    assert sign_in_page.locator("[data-error-summary]").count() == 0


def test_signing_out_ends_the_way_back(any_clinic: Stage) -> None:
    page = any_clinic.tab(Role.MANAGER)
    page.goto("/")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in*")
    page.goto("/")
    assert "/sign-in" in page.url
    any_clinic.close_tabs()
