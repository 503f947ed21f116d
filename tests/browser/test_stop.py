"""A treatment is stopped, looked after and recorded with the keyboard alone, as on a keyboard or with a switch."""

import pytest
from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from clinic.attention.models import Flag, Told
from tests.browser.test_taps import Hand, hand  # noqa: F401 - the fixture
from therapy.models import Order, OrderHold, StopRecheck, TreatmentSession, TreatmentStop

pytestmark = [pytest.mark.browser, pytest.mark.slow]
MOST_TABS = 150


def reach(page: Page, what: Locator) -> None:
    """Tab on until it has the focus."""
    for _ in range(MOST_TABS):
        if what.evaluate("one => one === document.activeElement"):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"{what} is not reached with the Tab key")


def press(page: Page, what: Locator, key: str = "Enter") -> None:
    reach(page, what)
    page.keyboard.press(key)


def type_into(page: Page, what: Locator, text: str) -> None:
    reach(page, what)
    page.keyboard.type(text)


def test_a_stop_is_one_press_and_becomes_the_record_with_the_keyboard_alone(
    hand: Hand,  # noqa: F811 - the fixture of the same name
) -> None:
    page, patient = hand.page, hand.patient
    order = Order.objects.get(patient=patient)
    page.goto(reverse("treat-order", args=[order.pk]))
    main = page.get_by_role("main")

    press(page, main.get_by_role("button", name="Stop: something is wrong"))
    page.wait_for_url("**/stops/**")
    stopped = TreatmentStop.objects.get(patient=patient)
    assert OrderHold.objects.get(order=order, ended_at__isnull=True).wants_screening
    expect(main.get_by_role("heading", name="Do now")).to_be_in_viewport()
    expect(main).to_contain_text("The local protocol comes first.")
    expect(page.locator("#checks-due")).to_contain_text("5 min: due at")

    press(page, main.get_by_role("button", name="Severe nausea"))
    expect(main).to_contain_text("Recorded what made you stop.")
    stopped.refresh_from_db()
    assert stopped.sign == "nausea"

    type_into(page, main.get_by_role("textbox", name="Who was told"), "Dr Burnet, on call")
    press(page, main.get_by_role("radio").first, "Space")
    type_into(page, main.get_by_role("textbox", name="What they said"), "Comes at once")
    press(page, main.get_by_role("button", name="Record who was told"))
    expect(main).to_contain_text("Dr Burnet, on call was told.")
    assert Told.objects.get(patient=patient).who == "Dr Burnet, on call"

    press(page, main.locator("summary", has_text="Enter what is measured").first)
    type_into(page, main.get_by_role("textbox", name="Pulse").first, "96")
    press(page, main.get_by_role("button", name="Record the check after 5 min"))
    expect(page.locator("#checks-due")).to_contain_text("5 min: checked at")
    assert StopRecheck.objects.get(stop=stopped).pulse.value == 96
    assert Flag.objects.filter(patient=patient, kind="recheck", state="open").count() == 1

    press(page, main.get_by_role("link", name="Record what was given"))
    page.wait_for_url("**/record/?stop=*")
    expect(page.locator("input[name=stopped][value=adverse_event]")).to_be_checked()
    expect(page.locator("input[name=event0_kind][value=nausea]")).to_be_checked()
    expect(page.locator("input[name=event0_told]")).to_have_value("Dr Burnet, on call")
    press(page, page.locator("input[name=done_sets]").first, "ArrowRight")
    press(page, page.locator("input[name=delivered_by]").first, "Space")
    press(page, main.get_by_role("button", name="Check and record", exact=False))
    press(page, main.get_by_role("button", name="Record for", exact=False))
    page.wait_for_url("**/treatments/**")
    treatment = TreatmentSession.objects.get(patient=patient)
    assert (treatment.pk, treatment.delivered, treatment.reason_group) == (stopped.pk, "part", "clinical")
