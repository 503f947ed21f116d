"""A small language for the shape of a payload: one description reads it, refuses it, and publishes its JSON schema.

Pure. Every problem names its field by JSON pointer (RFC 6901), says what is allowed, and all of them are found at
once, so that nothing has to be sent twice to learn the second mistake.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

Code = Literal["missing", "unknown_field", "wrong_type", "out_of_range", "not_applicable", "inconsistent"]
_RFC3339 = re.compile(r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(\.\d{1,6})?([Zz]|[+-]\d{2}:\d{2})")


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a payload."""

    field: str
    code: Code
    message: str
    allowed: str = ""
    got: str | int | float | bool | None = None

    def as_json(self) -> dict[str, Any]:
        """The problem as the API answers it."""
        return {
            "field": self.field,
            "code": self.code,
            "message": self.message,
            "allowed": self.allowed,
            "got": self.got,
        }


def problem(at: str, code: Code, message: str, allowed: str = "", got: Any = None) -> Problem:
    """A problem; of what was sent only a short plain value is echoed."""
    echo = got if isinstance(got, (int, float, bool)) else None if got is None else str(got)[:60]
    return Problem(at, code, message, allowed, echo)


class Node:
    """One place in a payload."""

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        """The value as Python; adds to `problems` and gives None where it is not allowed."""
        raise NotImplementedError

    def schema(self) -> dict[str, Any]:
        """The same as JSON schema."""
        raise NotImplementedError


@dataclass(frozen=True)
class Const(Node):
    """Exactly this text."""

    value: str

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        if value != self.value:
            problems.append(problem(at, "out_of_range", f"This must be {self.value}.", self.value, value))
        return self.value

    def schema(self) -> dict[str, Any]:
        return {"const": self.value}


@dataclass(frozen=True)
class Id(Node):
    """A UUID."""

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        try:
            return UUID(value) if isinstance(value, str) else _wrong(at, "a UUID", value, problems)
        except ValueError:
            return _wrong(at, "a UUID", value, problems)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "uuid"}


@dataclass(frozen=True)
class Instant(Node):
    """A time by RFC 3339, with its offset from UTC."""

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        allowed = "a time by RFC 3339 with its offset, like 2026-11-25T09:52:00+00:00"
        if not isinstance(value, str) or not _RFC3339.fullmatch(value):
            return _wrong(at, allowed, value, problems)
        try:
            return datetime.fromisoformat(value.upper())
        except ValueError:
            return _wrong(at, allowed, value, problems)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date-time"}


@dataclass(frozen=True)
class Text(Node):
    """A text of limited length; stray spaces at its ends are dropped."""

    longest: int
    shortest: int = 0

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        if not isinstance(value, str):
            return _wrong(at, "a text", value, problems)
        text = value.strip()
        if not self.shortest <= len(text) <= self.longest:
            words = f"This must have {self.shortest} to {self.longest} characters."
            problems.append(
                problem(at, "out_of_range", words, f"{self.shortest}..{self.longest} characters", len(text))
            )
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": self.shortest, "maxLength": self.longest}


@dataclass(frozen=True)
class OneOf(Node):
    """One of a few words."""

    values: tuple[str, ...]

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        if value not in self.values:
            allowed = ", ".join(self.values)
            problems.append(problem(at, "out_of_range", f"This must be one of {allowed}.", allowed, value))
            return None
        return value

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.values)}


@dataclass(frozen=True)
class Whole(Node):
    """A whole number in a range, both ends included."""

    low: int
    high: int

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        if isinstance(value, bool) or not isinstance(value, int):
            return _wrong(at, "a whole number", value, problems)
        if not self.low <= value <= self.high:
            words = f"This must be from {self.low} to {self.high}."
            problems.append(problem(at, "out_of_range", words, f"{self.low}..{self.high}", value))
            return None
        return value

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True)
class YesNo(Node):
    """True or false."""

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        return value if isinstance(value, bool) else _wrong(at, "true or false", value, problems)

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True)
class Maybe(Node):
    """The same, or null for "not recorded"."""

    inner: Node

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        return None if value is None else self.inner.read(value, at, problems)

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [self.inner.schema(), {"type": "null"}]}


@dataclass(frozen=True)
class ListOf(Node):
    """A list of the same, of limited length."""

    inner: Node
    longest: int

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        if not isinstance(value, Sequence) or isinstance(value, str):
            _wrong(at, "a list", value, problems)
            return ()
        if len(value) > self.longest:
            words = f"This may hold at most {self.longest}."
            problems.append(problem(at, "out_of_range", words, f"at most {self.longest}", len(value)))
            return ()
        return tuple(self.inner.read(each, f"{at}/{place}", problems) for place, each in enumerate(value))

    def schema(self) -> dict[str, Any]:
        return {"type": "array", "items": self.inner.schema(), "maxItems": self.longest}


@dataclass(frozen=True)
class Settings(Node):
    """Named settings: a whole number, a text or a list of texts each. What is allowed depends on the technique."""

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        if not isinstance(value, Mapping):
            _wrong(at, "an object", value, problems)
            return {}
        return {
            name: tuple(each)
            if isinstance(each, list) and all(isinstance(one, str) for one in each)
            else each
            for name, each in value.items()
        }

    def schema(self) -> dict[str, Any]:
        simple: list[dict[str, Any]] = [
            {"type": "integer"},
            {"type": "string", "maxLength": 40},
            {"type": "array", "items": {"type": "string", "maxLength": 40}, "maxItems": 12},
        ]
        return {"type": "object", "additionalProperties": {"anyOf": simple}}


@dataclass(frozen=True)
class Shape(Node):
    """An object with exactly these fields: every one is sent, null where nothing was recorded."""

    fields: Mapping[str, Node] = field(default_factory=dict)

    def read(self, value: Any, at: str, problems: list[Problem]) -> Any:
        if not isinstance(value, Mapping):
            return _wrong(at, "an object", value, problems)
        for name in value:
            if name not in self.fields:
                place = f"{at}/{_escaped(str(name))}"
                problems.append(
                    problem(place, "unknown_field", "There is no such field.", ", ".join(self.fields), None)
                )
        found: dict[str, Any] = {}
        for name, node in self.fields.items():
            if name not in value:
                problems.append(problem(f"{at}/{name}", "missing", "This field is missing."))
                found[name] = None
            else:
                found[name] = node.read(value[name], f"{at}/{name}", problems)
        return found

    def schema(self) -> dict[str, Any]:
        return {
            "type": "object",
            "additionalProperties": False,
            "required": list(self.fields),
            "properties": {name: node.schema() for name, node in self.fields.items()},
        }


def _wrong(at: str, allowed: str, value: Any, problems: list[Problem]) -> None:
    problems.append(problem(at, "wrong_type", f"This must be {allowed}.", allowed, value))


def _escaped(name: str) -> str:
    """A name inside a JSON pointer (RFC 6901, section 3)."""
    return name.replace("~", "~0").replace("/", "~1")[:60]
