"""Typed field specifications: one description gives the JSON schema and the validation. No Django.

A value is either read whole, or refused with every fault found in it, each with a pointer to the place.
Numbers stay exact: JSON and CSV numbers arrive as int or Decimal and are never turned into a float on the
way in.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal, InvalidOperation
from typing import Any, Protocol, TypeVar
from zoneinfo import ZoneInfo

Value = Any  # What comes out of a JSON reader, or of a spec: by nature of any type.


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with an input; ``field`` is a JSON pointer (RFC 6901)."""

    field: str
    code: str
    message: str
    allowed: str | None = None
    got: Value = None


class Spec(Protocol):
    """What every kind of field can do."""

    @property
    def nullable(self) -> bool: ...
    @property
    def required(self) -> bool: ...
    @property
    def about(self) -> str: ...
    def schema(self) -> dict[str, Value]: ...
    def read(self, value: Value, at: str, faults: list[Fault]) -> Value: ...
    def from_cell(self, cell: str) -> Value: ...


@dataclass(frozen=True)
class _Field:
    about: str = ""
    nullable: bool = False
    required: bool = True


def _wrong(faults: list[Fault], at: str, what: str, got: Value, code: str = "wrong_type") -> None:
    faults.append(Fault(at, code, f"Must be {what}.", what, got))


@dataclass(frozen=True)
class Number(_Field):
    """A number with both ends of its range; ``whole`` for counts. Comes out as int or Decimal."""

    low: int = 0
    high: int = 1_000_000
    whole: bool = False
    above_low: bool = False

    @property
    def allowed(self) -> str:
        return f"more than {self.low}, at most {self.high}" if self.above_low else f"{self.low}..{self.high}"

    def schema(self) -> dict[str, Value]:
        lower = "exclusiveMinimum" if self.above_low else "minimum"
        return {"type": "integer" if self.whole else "number", lower: self.low, "maximum": self.high}

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            return _wrong(faults, at, "a whole number" if self.whole else "a number", value)
        if not self.low <= value <= self.high or (self.above_low and value == self.low):
            return _wrong(faults, at, self.allowed, value, "out_of_range")
        if not self.whole:
            return value
        return int(value) if value == int(value) else _wrong(faults, at, "a whole number", value)

    def from_cell(self, cell: str) -> Value:
        try:
            number = Decimal(cell)
        except InvalidOperation:
            return cell
        return number if number.is_finite() else cell


@dataclass(frozen=True)
class Text(_Field):
    """One of a list of words."""

    choices: tuple[str, ...] = ()

    def schema(self) -> dict[str, Value]:
        return {"type": "string", "enum": list(self.choices)}

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        if not isinstance(value, str):
            return _wrong(faults, at, "one of " + ", ".join(self.choices), value)
        if value not in self.choices:
            return _wrong(faults, at, "one of " + ", ".join(self.choices), value, "out_of_range")
        return value

    def from_cell(self, cell: str) -> Value:
        return cell


@dataclass(frozen=True)
class Words(_Field):
    """Free words."""

    longest: int = 500

    def schema(self) -> dict[str, Value]:
        return {"type": "string", "maxLength": self.longest}

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        if not isinstance(value, str):
            return _wrong(faults, at, "words", value)
        if len(value) > self.longest:
            return _wrong(faults, at, f"at most {self.longest} characters", len(value), "out_of_range")
        return value

    def from_cell(self, cell: str) -> Value:
        return cell


@dataclass(frozen=True)
class Flag(_Field):
    """True or false."""

    def schema(self) -> dict[str, Value]:
        return {"type": "boolean"}

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        return value if isinstance(value, bool) else _wrong(faults, at, "true or false", value)

    def from_cell(self, cell: str) -> Value:
        return {"true": True, "false": False}.get(cell.lower(), cell)


@dataclass(frozen=True)
class _Parsed(_Field):
    """A piece of text with a written form."""

    what: str = field(default="", init=False)

    def parse(self, value: str) -> Value:
        raise NotImplementedError

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        if not isinstance(value, str):
            return _wrong(faults, at, self.what, value)
        try:
            return self.parse(value)
        except (ValueError, LookupError, OSError):
            return _wrong(faults, at, self.what, value)

    def from_cell(self, cell: str) -> Value:
        return cell


# Beyond these years a spell or a change of zone would run out of the calendar.
FIRST_YEAR, LAST_YEAR = 1900, 2199


D = TypeVar("D", bound=date)


def _within_calendar(value: D) -> D:
    if not FIRST_YEAR <= value.year <= LAST_YEAR:
        raise ValueError(value)
    return value


@dataclass(frozen=True)
class Instant(_Parsed):
    """A point in time, RFC 3339 with offset."""

    what: str = field(
        default="an instant in RFC 3339 with offset, like 2026-11-22T06:00:00+00:00, from 1900 to 2199",
        init=False,
    )

    def schema(self) -> dict[str, Value]:
        return {"type": "string", "format": "date-time"}

    def parse(self, value: str) -> datetime:
        instant = datetime.fromisoformat(value.upper())
        if len(value) < len("2026-11-22T06:00Z") or instant.tzinfo is None or value[10] not in "Tt ":
            raise ValueError(value)
        return _within_calendar(instant)


@dataclass(frozen=True)
class Day(_Parsed):
    """A calendar date, ISO 8601."""

    what: str = field(default="a date like 2026-11-22, from 1900 to 2199", init=False)

    def schema(self) -> dict[str, Value]:
        return {"type": "string", "format": "date"}

    def parse(self, value: str) -> date:
        if len(value) != len("2026-11-22"):
            raise ValueError(value)
        return _within_calendar(date.fromisoformat(value))


@dataclass(frozen=True)
class WallTime(_Parsed):
    """A time on the clock, HH:MM."""

    what: str = field(default="a time like 07:30", init=False)

    def schema(self) -> dict[str, Value]:
        return {"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"}

    def parse(self, value: str) -> time:
        if len(value) != len("07:30"):
            raise ValueError(value)
        return time.fromisoformat(value)


@dataclass(frozen=True)
class Zone(_Parsed):
    """A time zone by its IANA name."""

    what: str = field(default="an IANA time zone like Europe/London", init=False)

    def schema(self) -> dict[str, Value]:
        return {"type": "string", "examples": ["Europe/London"]}

    def parse(self, value: str) -> ZoneInfo:
        return ZoneInfo(value)


@dataclass(frozen=True)
class _Nested(_Field):
    def from_cell(self, cell: str) -> Value:
        """Lists and objects stand as JSON in their cell; what is no JSON is refused as of the wrong type."""
        try:
            return json.loads(cell, parse_float=Decimal)
        except ValueError:
            return cell


@dataclass(frozen=True)
class ListOf(_Nested):
    """A list of one kind of thing."""

    item: Spec | None = None
    longest: int = 100_000

    def schema(self) -> dict[str, Value]:
        return {"type": "array", "items": described(self.item), "maxItems": self.longest}

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        if not isinstance(value, list):
            return _wrong(faults, at, "a list", value)
        if len(value) > self.longest:
            return _wrong(faults, at, f"at most {self.longest} entries", len(value), "out_of_range")
        return [read(self.item, entry, f"{at}/{i}", faults) for i, entry in enumerate(value)]


@dataclass(frozen=True)
class Fields(_Nested):
    """An object with named fields, all known beforehand.

    ``build`` makes of the read values what the rule takes.
    """

    fields: Mapping[str, Spec] = field(default_factory=dict)
    build: Callable[[dict[str, Value]], Value] = dict

    def schema(self) -> dict[str, Value]:
        return {
            "type": "object",
            "properties": {name: described(spec) for name, spec in self.fields.items()},
            "required": [name for name, spec in self.fields.items() if spec.required],
            "additionalProperties": False,
        }

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        if not isinstance(value, dict):
            return _wrong(faults, at, "an object", value)
        before = len(faults)
        for name in value:
            if name not in self.fields:
                known = ", ".join(self.fields)
                faults.append(
                    Fault(_pointer(at, name), "unknown_field", "No such field.", known, value[name])
                )
        out: dict[str, Value] = {}
        for name, spec in self.fields.items():
            if name in value:
                out[name] = read(spec, value[name], _pointer(at, name), faults)
            elif spec.required:
                faults.append(
                    Fault(_pointer(at, name), "missing", "This field must be given, null if not measured.")
                )
        return self.build(out) if len(faults) == before else None


@dataclass(frozen=True)
class MapOf(_Nested):
    """An object whose keys come from a list, each with the same kind of value, or with its own."""

    keys: tuple[str, ...] = ()
    value: Spec | None = None

    def schema(self) -> dict[str, Value]:
        return {
            "type": "object",
            "properties": {key: described(self.value) for key in self.keys},
            "additionalProperties": False,
        }

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        return Fields(fields=dict.fromkeys(self.keys, _optional(self.value))).read(value, at, faults)


@dataclass(frozen=True)
class AsGiven(_Nested):
    """Held to a spec, but handed on as it came: for a reader that shall share no code with another."""

    of: Spec | None = None

    def schema(self) -> dict[str, Value]:
        return described(self.of)

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        before = len(faults)
        _known(self.of).read(value, at, faults)
        return value if len(faults) == before else None


@dataclass(frozen=True)
class EitherOf(_Field):
    """A value of one of several kinds, told apart by its JSON type: text first, else the other."""

    text: Text = field(default_factory=Text)
    other: Spec | None = None

    def schema(self) -> dict[str, Value]:
        return {"anyOf": [self.text.schema(), described(self.other)]}

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        return (self.text if isinstance(value, str) else _known(self.other)).read(value, at, faults)

    def from_cell(self, cell: str) -> Value:
        return cell if cell in self.text.choices else _known(self.other).from_cell(cell)


def read(spec: Spec | None, value: Value, at: str, faults: list[Fault]) -> Value:
    """The value as the rule takes it, or None with the faults noted.

    Null is refused where a value is wanted.
    """
    known = _known(spec)
    if value is not None:
        return known.read(value, at, faults)
    if not known.nullable:
        faults.append(Fault(at, "missing", "The figure cannot be computed without this value.", got=None))
    return None


def described(spec: Spec | None) -> dict[str, Value]:
    """The JSON schema of a field with its words, and with null where null is allowed."""
    known = _known(spec)
    schema = known.schema()
    if known.nullable:
        schema = {"anyOf": [schema, {"type": "null"}]}
    return {"description": known.about} | schema if known.about else schema


def _known(spec: Spec | None) -> Spec:
    if spec is None:
        raise TypeError("a list, map or choice needs a spec for its entries")
    return spec


def _optional(spec: Spec | None) -> Spec:
    known = _known(spec)
    return known if not known.required else _NotRequired(known)


@dataclass(frozen=True)
class _NotRequired:
    """The same field, but its key may be left out."""

    of: Spec
    required: bool = False

    @property
    def nullable(self) -> bool:
        return self.of.nullable

    @property
    def about(self) -> str:
        return self.of.about

    def schema(self) -> dict[str, Value]:
        return self.of.schema()

    def read(self, value: Value, at: str, faults: list[Fault]) -> Value:
        return self.of.read(value, at, faults)

    def from_cell(self, cell: str) -> Value:
        return self.of.from_cell(cell)


def _pointer(at: str, name: str) -> str:
    return f"{at}/{name.replace('~', '~0').replace('/', '~1')}"
