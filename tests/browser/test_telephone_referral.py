"""A referral taken on the telephone, with the keyboard alone, held to a minute.

The time is that of the keystroke-level model (Card, Moran and Newell, Communications of the ACM 1980;23:396, from
memory): 0.28 s a key for an average typist of 40 words a minute, 1.35 s to make up one's mind before each answer.
"""

from dataclasses import dataclass

import pytest
from playwright.sync_api import Page

from clinic.models import Referral
from clinic.staff.roles import Role
from tests.browser.stage import Stage

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SECONDS_A_KEY, SECONDS_A_THOUGHT = 0.28, 1.35


@dataclass
class Hands:
    """Types with the keyboard and counts."""

    page: Page
    keys: int = 0
    thoughts: int = 0

    def answer(self, name: str, words: str) -> None:
        """Go to a field with Tab, however many lie between, and type."""
        self.reach(name)
        self.thoughts += 1
        for letter in words:
            # A capital letter takes the shift key too.
            self.keys += 2 if letter.isupper() else 1
            self.page.keyboard.press("Space" if letter == " " else letter)

    def choose(self, name: str) -> None:
        """Go to a group of choices and take the first."""
        self.reach(name)
        self.thoughts += 1
        self.press("Space")

    def send(self) -> None:
        self.reach("submit", "type")
        self.press("Enter")

    def reach(self, value: str, what: str = "name") -> None:
        for _ in range(30):
            if self.page.evaluate("what => document.activeElement[what]", what) == value:
                return
            self.press("Tab")
        raise AssertionError(f"{value} is not reached with the Tab key")

    def press(self, key: str) -> None:
        self.keys += 1
        self.page.keyboard.press(key)

    @property
    def seconds(self) -> float:
        return self.keys * SECONDS_A_KEY + self.thoughts * SECONDS_A_THOUGHT


def test_a_telephone_referral_is_taken_in_well_under_a_minute_with_the_keyboard_alone(
    demo_clinic: Stage,
) -> None:
    page = demo_clinic.tab(Role.LEAD)
    page.goto("/referrals/new/")
    hands = Hands(page)
    page.locator("h1").click()
    hands.answer("family_name", "Dunnockley")
    hands.answer("given_name", "Wren")
    hands.answer("birth_date_day", "14")
    hands.answer("birth_date_month", "3")
    hands.answer("birth_date_year", "1958")
    hands.answer("record_number", "204190017")
    hands.choose("urgency")
    hands.answer("reason", "Cannot clear sputum")
    hands.answer("referrer", "Dr Larkspur")
    hands.answer("diagnosis_group", "B")
    hands.send()
    page.wait_for_url("**/referrals/*-*/")
    referral = Referral.objects.get(patient__identity__record_number="204190017")
    assert (referral.urgency, referral.reason) == ("urgent", "Cannot clear sputum")
    assert referral.diagnosis_group == "bronchiectasis"
    assert hands.thoughts <= 10, "no more to ask than what cannot be left out"
    assert hands.seconds < 50, f"{hands.keys} keys and {hands.thoughts} answers"
