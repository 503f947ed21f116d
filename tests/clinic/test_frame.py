"""The frame of every page: signing in and out, colours, navigation, error pages."""

import re

import pytest
from django.conf import settings
from django.contrib.staticfiles import finders
from django.test import Client
from django.urls import reverse

from clinic.context import navigation
from tests.conftest import PASSWORD, Cast

pytestmark = pytest.mark.django_db


def test_a_wrong_password_shows_the_form_again_with_what_is_wrong(cast: Cast) -> None:
    answer = Client().post(reverse("sign-in"), {"username": "quillfeather", "password": "wrong"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "<title>Error: Sign in" in page
    assert "There is a problem" in page
    assert 'value="quillfeather"' in page


def test_the_sign_in_page_takes_a_password_manager_and_pasting(cast: Cast) -> None:
    """WCAG 2.2, success criterion 3.3.8, accessible authentication."""
    page = Client().get(reverse("sign-in")).content.decode()
    assert 'autocomplete="username"' in page
    assert 'autocomplete="current-password"' in page
    assert "onpaste" not in page


def test_the_right_password_goes_home_and_signing_out_comes_back(cast: Cast) -> None:
    cast.therapist.set_password(PASSWORD)
    cast.therapist.save()
    client = Client()
    answer = client.post(reverse("sign-in"), {"username": "quillfeather", "password": PASSWORD, "next": "/"})
    assert answer.status_code == 302
    assert client.post(reverse("sign-out")).headers["Location"] == reverse("sign-in")
    assert "_auth_user_id" not in client.session


def test_the_colours_chosen_on_a_device_stand_in_the_first_byte_of_the_page() -> None:
    client = Client()
    answer = client.post(reverse("theme"), {"theme": "dark", "next": "/sign-in"})
    assert answer.headers["Location"] == "/sign-in"
    assert 'data-theme="dark"' in client.get(reverse("sign-in")).content.decode()
    client.post(reverse("theme"), {"theme": "", "next": "/sign-in"})
    assert "data-theme" not in client.get(reverse("sign-in")).content.decode()


@pytest.mark.parametrize(
    "back", ["https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)", ""]
)
def test_the_way_back_after_choosing_colours_never_leaves_the_app(back: str) -> None:
    assert Client().post(reverse("theme"), {"theme": "dark", "next": back}).headers["Location"] == "/"


def test_no_page_of_the_frame_carries_inline_script_or_style() -> None:
    """The content security policy forbids both (OWASP ASVS 5.0, V3.4)."""
    answer = Client().get(reverse("sign-in"))
    page = answer.content.decode()
    assert not re.search(r"<script(?![^>]*\bsrc=)", page)
    assert "<style" not in page
    assert not re.search(r"\sstyle=", page)
    assert not re.search(r"\son[a-z]+=", page)
    assert "unsafe" not in answer.headers["Content-Security-Policy"]


def test_htmx_swaps_in_an_invalid_form_and_keeps_no_page_in_the_browser() -> None:
    """htmx leaves a 4xx answer out unless told otherwise (bigskysoftware/htmx issue 2042)."""
    page = Client().get(reverse("sign-in")).content.decode()
    for words in ('"allowEval": false', '"includeIndicatorStyles": false', '"historyCacheSize": 0'):
        assert words in page
    assert '{"code": "422", "swap": true}' in page
    assert '{"code": "403", "swap": true}' in page


def test_the_training_strip_stands_only_where_the_data_is_invented(settings: object) -> None:
    settings.TRAINING_DATA = True  # type: ignore[attr-defined]
    assert "Training data" in Client().get(reverse("sign-in")).content.decode()
    settings.TRAINING_DATA = False  # type: ignore[attr-defined]
    assert "Training data" not in Client().get(reverse("sign-in")).content.decode()


def test_a_missing_page_says_what_may_have_happened(cast: Cast) -> None:
    answer = Client().get("/nothing-of-the-kind")
    assert answer.status_code == 404
    assert "not assigned to you" in answer.content.decode()


def test_the_entry_under_which_a_page_lies_is_marked_once() -> None:
    for role in ("lead", "therapist", "manager", "administrator"):
        entries = navigation(role, "/")
        assert sum(entry.current for entry in entries) <= 1


def test_the_fonts_that_the_style_sheets_name_are_served() -> None:
    sheet = finders.find("clinic/fonts.css")
    assert sheet
    with open(sheet, encoding="utf-8") as lines:  # noqa: PTH123 (finders give a string)
        named = re.findall(r'url\("\.\./(fonts/[^"]+)"\)', lines.read())
    assert len(named) == 4
    for font in named:
        assert finders.find(font), font


def test_cookies_for_the_colours_hold_no_person() -> None:
    client = Client()
    client.post(reverse("theme"), {"theme": "dark", "next": "/"})
    assert client.cookies["theme"].value == "dark"
    assert settings.SESSION_COOKIE_NAME not in client.cookies
