"""A person at the app over HTTP, as a browser without scripts would be: follows links, fills in and sends forms."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from django.test import Client

Value = str | list[str]


@dataclass
class Form:
    """One form of a page with what it would send, and its buttons by their words."""

    action: str
    method: str
    values: dict[str, list[str]] = field(default_factory=dict)
    buttons: dict[str, tuple[str, str]] = field(default_factory=dict)
    names: set[str] = field(default_factory=set)


class _Reader(HTMLParser):
    """Reads the forms and links of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.links: list[tuple[str, str]] = []
        self._form: Form | None = None
        self._select = self._area = ""
        self._words: list[str] | None = None
        self._open: dict[str, str] = {}
        self._first: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._form = Form(given.get("action", ""), given.get("method", "get").lower())
            self.forms.append(self._form)
        elif tag == "a":
            self._open, self._words = given, []
        elif self._form is not None:
            self._control(tag, given)

    def _control(self, tag: str, given: dict[str, str]) -> None:
        assert self._form is not None
        name = given.get("name", "")
        if tag == "button":
            self._open, self._words = given, []
        elif name and tag == "input":
            self._form.names.add(name)
            kind = given.get("type", "text")
            if kind not in ("checkbox", "radio") or "checked" in given:
                default = "on" if kind == "checkbox" else ""
                self._form.values.setdefault(name, []).append(given.get("value", default))
        elif name and tag == "select":
            self._form.names.add(name)
            self._select, self._first = name, None
        elif tag == "option" and self._select:
            if self._first is None:
                self._first = given.get("value", "")
            if "selected" in given:
                self._form.values.setdefault(self._select, []).append(given.get("value", ""))
        elif name and tag == "textarea":
            self._form.names.add(name)
            self._area, self._words = name, []

    def handle_data(self, data: str) -> None:
        if self._words is not None:
            self._words.append(data)

    def handle_endtag(self, tag: str) -> None:
        said = re.sub(r"\s+", " ", "".join(self._words or [])).strip()
        if tag == "a" and self._words is not None:
            self.links.append((said, self._open.get("href", "")))
            self._words = None
        elif tag == "button" and self._words is not None and self._form is not None:
            self._form.buttons[said] = (self._open.get("name", ""), self._open.get("value", ""))
            self._words = None
        elif tag == "textarea" and self._form is not None and self._area:
            self._form.values[self._area] = ["".join(self._words or []).lstrip("\n")]
            self._area, self._words = "", None
        elif tag == "select" and self._form is not None and self._select:
            if self._select not in self._form.values and self._first is not None:
                self._form.values[self._select] = [self._first]
            self._select = ""
        elif tag == "form":
            self._form = None


class Visitor:
    """Somebody who signed in through the page, and the page in front of them."""

    def __init__(self, username: str, password: str) -> None:
        self.client = Client()
        self.address = ""
        self.response: Any = None
        self.go("/")
        self.send("Sign in", username=username, password=password)

    def go(self, address: str) -> "Visitor":
        """Open an address, following redirects."""
        self._keep(self.client.get(address, follow=True), address)
        return self

    def follow(self, words: str) -> "Visitor":
        """Follow the first link whose words contain these."""
        for said, href in self._read().links:
            if words in said:
                return self.go(href)
        raise AssertionError(f"no link with {words!r} on {self.address}; there are {self._read().links}")

    def form_with(self, button: str) -> Form:
        """The first form with a button whose words contain these."""
        for form in self._read().forms:
            if any(button in words for words in form.buttons):
                return form
        there = [list(form.buttons) for form in self._read().forms]
        raise AssertionError(f"no button {button!r} on {self.address}; there are {there}\n{self.text[:2000]}")

    def send(self, button: str, /, *, expect: int = 200, **values: Value) -> "Visitor":
        """Fill in the form of this button and press it; the answer is followed and must not be an error."""
        return self.send_values(button, values, expect=expect)

    def send_values(self, button: str, values: Mapping[str, Value], *, expect: int = 200) -> "Visitor":
        """As `send`, for field names that are no words of Python."""
        form = self.form_with(button)
        unknown = set(values) - form.names
        assert not unknown, f"{self.address} has no field {sorted(unknown)}; it has {sorted(form.names)}"
        sent: dict[str, Value] = {**form.values, **values}  # type: ignore[dict-item]  # lists are what a client takes
        name, value = next(told for words, told in form.buttons.items() if button in words)
        if name:
            sent[name] = value
        address = form.action or self.address
        ask = self.client.post if form.method == "post" else self.client.get
        self._keep(ask(address, sent, follow=True), address)
        assert self.response.status_code == expect, (
            f"{self.response.status_code} from {address}:\n{self.text[:3000]}"
        )
        return self

    @property
    def text(self) -> str:
        """The words of the page's main part."""
        body = self.response.content.decode()
        start = body.find("<main")
        main = body[max(start, 0) :]
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", main)).replace("\xa0", " ").strip()

    def _read(self) -> _Reader:
        reader = _Reader()
        reader.feed(self.response.content.decode())
        return reader

    def _keep(self, response: Any, asked: str) -> None:
        self.response = response
        chain = getattr(response, "redirect_chain", None)
        self.address = chain[-1][0] if chain else asked
