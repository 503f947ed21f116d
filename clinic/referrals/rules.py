"""The referral file: its columns, and how each row is read and checked. Pure: no Django, no clock, no database.

CSV after RFC 4180, UTF-8 with or without byte order mark, comma or semicolon. Dates as 14-Aug-1980 or
1980-08-14 (ISO 8601); an all-digit date such as 04/05/1980 is refused, because it can be read two ways.
"""

import csv
import hashlib
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time

from clinic.patients.rules import birth_date_problem, check_digit_is_right, folded

MOST_ROWS = 50_000
MOST_BROKEN = 100
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WRITTEN_DATE = re.compile(r"(\d{1,2})[- ]([A-Za-z]{3})[a-z]*[- ](\d{4})")
_ISO_DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::\d{2})?")
# A cell that a spreadsheet would take for a formula is written with an apostrophe before it (OWASP, CSV injection).
_FORMULA = re.compile(r"[=+\-@\t\r]")


class FileRefused(ValueError):
    """The file as a whole cannot be read; the message says why and what to do."""


@dataclass(frozen=True)
class Column:
    """One column of the file, as the upload page and the README document it."""

    name: str
    required: bool
    longest: int
    words: str
    example: str


COLUMNS = (
    Column("record_number", True, 40, "Record number of the patient in this hospital or clinic", "204118553"),
    Column("family_name", True, 80, "Family name", "Mosswater"),
    Column("given_name", True, 80, "Given name", "Bryn"),
    Column("birth_date", True, 20, "Birth date", "14-Mar-1958"),
    Column("received", True, 30, "When the referral was received: a date, with or without a time", "24-Nov-2026 08:50"),
    Column("urgency", True, 20, "urgent, soon or routine", "soon"),
    Column("reason", True, 500, "Why the patient is referred", "More sputum, weak cough"),
    Column("referrer", True, 120, "Who refers", "Dr Larkspur, acute ward"),
    Column("referrer_phone", False, 40, "Where the referrer can be reached", "4471"),
    Column("sex", False, 20, "female, male or other", "male"),
    Column("national_number", False, 20, "National number, ten digits; its check digit is checked", "943 476 5919"),
    Column("unit", False, 80, "Unit, as it is called in the settings", "Acute ward"),
    Column("room", False, 40, "Room", "12"),
    Column("diagnosis_group", False, 40, "Diagnosis group, one of those listed below", "bronchiectasis without CF"),
    Column("diagnosis", False, 200, "Diagnosis in words", "Bronchiectasis, both lower lobes"),
    Column("conditions", False, 500, "Contraindications and precautions that are known to be so, by their keys in the "
           "rule table, with spaces between; each holds at once. What is left out is not answered, never no",
           "rib_fracture osteoporosis"),
)  # fmt: skip
BY_NAME = {column.name: column for column in COLUMNS}
URGENCIES = ("urgent", "soon", "routine")
SEXES = {"female": "female", "f": "female", "male": "male", "m": "male", "other": "other"}


@dataclass(frozen=True)
class Known:
    """What the clinic knows and rows are checked against.

    Attributes:
        units: folded name to the unit's key.
        diagnosis_groups: folded name or words to the stored value.
        today: the day of the import; births and receipts lie on it or before it.
        conditions: the keys of the rule table that a file may answer with yes.
    """

    units: Mapping[str, int]
    diagnosis_groups: Mapping[str, str]
    today: date
    conditions: frozenset[str] = frozenset()


@dataclass(frozen=True)
class ReferralRow:
    """One good row, read. `received_time` is None where only a day was given."""

    record_number: str
    family_name: str
    given_name: str
    birth_date: date
    received_on: date
    received_time: time | None
    urgency: str
    reason: str
    referrer: str
    referrer_phone: str = ""
    sex: str = "unknown"
    national_number: str = ""
    unit: int | None = None
    room: str = ""
    diagnosis_group: str = "other"
    diagnosis: str = ""
    conditions: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """What makes the same row, sent twice, one referral: patient, receipt, reason and referrer."""
        clock = self.received_time.strftime("%H:%M") if self.received_time else ""
        parts = (
            self.record_number.casefold(), self.birth_date.isoformat(), self.received_on.isoformat(), clock,
            folded(self.reason), folded(self.referrer),
        )  # fmt: skip
        return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()


@dataclass(frozen=True)
class Problem:
    """Why a row is refused: the column, empty for the row as a whole, and the reason."""

    column: str
    reason: str

    def __str__(self) -> str:
        return f"{self.column}: {self.reason}" if self.column else self.reason


@dataclass(frozen=True)
class Line:
    """One row of the file: its line number, its cells as they stood, and what became of it."""

    number: int
    cells: tuple[str, ...]
    row: ReferralRow | None = None
    problems: tuple[Problem, ...] = ()


@dataclass
class Table:
    """The file after its header was read: the column of each cell, and the rows to come."""

    header: tuple[str, ...]
    delimiter: str
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    broken: dict[int, str] = field(default_factory=dict)


def read_table(content: bytes) -> Table:
    """Read the file into cells.

    Raises: FileRefused where it is not UTF-8, is empty, lacks or doubles a column, or has one that is not known.
    """
    lines = list(io.StringIO(_text(content), newline=""))
    if not lines:
        raise FileRefused("The file is empty. Its first line must name the columns.")
    delimiter = ";" if lines[0].count(";") > lines[0].count(",") else ","
    try:
        names = next(csv.reader(lines[:1], delimiter=delimiter, strict=True), [])
    except csv.Error as error:
        raise FileRefused("The first line cannot be read as column names.") from error
    header = tuple(name.strip().lower().replace(" ", "_") for name in names)
    _check_header(header)
    table = Table(header, delimiter)
    place = 1
    while place < len(lines):
        place = _read_on(table, lines, place)
    return table


def _read_on(table: Table, lines: list[str], place: int) -> int:
    """Read rows from a line on; after a row whose quotation marks do not fit, reading goes on at the next line."""
    reader = csv.reader(lines[place:], delimiter=table.delimiter, strict=True)
    start = place
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                table.rows.append((start + 1, cells))
            if len(table.rows) > MOST_ROWS:
                raise FileRefused(f"The file has more than {MOST_ROWS:,} rows. Divide it into several.")
            start = place + reader.line_num
    except csv.Error:
        table.broken[start + 1] = "the quotation marks of this row do not fit"
        table.rows.append((start + 1, [lines[start].rstrip("\r\n")]))
        if len(table.broken) > MOST_BROKEN:
            raise FileRefused(
                f"In more than {MOST_BROKEN} rows the quotation marks do not fit, first in line {min(table.broken)}."
            ) from None
        return start + 1
    return len(lines)


def _text(content: bytes) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise FileRefused("The file is UTF-16. Save it as CSV UTF-8.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileRefused(f"The file is not UTF-8 (byte {error.start + 1}). Save it as CSV UTF-8.") from error
    if "\0" in text:
        raise FileRefused("The file holds characters that no text has. Save it as CSV UTF-8.")
    return text


def _check_header(header: tuple[str, ...]) -> None:
    if missing := [column.name for column in COLUMNS if column.required and column.name not in header]:
        raise FileRefused(f"The first line lacks the columns {', '.join(missing)}.")
    if unknown := [name or "(no name)" for name in header if name not in BY_NAME and name not in EXTRA]:
        raise FileRefused(f"The first line has columns that are not known: {', '.join(unknown)}.")
    if doubled := sorted({name for name in header if header.count(name) > 1}):
        raise FileRefused(f"The first line has these columns twice: {', '.join(doubled)}.")


# Columns of the file of refused rows; it may be corrected and sent again as it is.
EXTRA = ("line", "why_refused")


def check_rows(table: Table, known: Known) -> Iterator[Line]:
    """Check each row, one after the other."""
    for number, cells in table.rows:
        yield _check_row(table, number, cells, known)


def _check_row(table: Table, number: int, cells: list[str], known: Known) -> Line:
    kept = tuple(cells)
    if number in table.broken:
        return Line(number, kept, problems=(Problem("", table.broken[number]),))
    if len(cells) != len(table.header):
        why = f"{len(cells)} cells where the first line has {len(table.header)}"
        return Line(number, kept, problems=(Problem("", why),))
    values = {name: _cell(value) for name, value in zip(table.header, cells, strict=True)}
    problems: list[Problem] = []
    read: dict[str, object] = {}
    for column in COLUMNS:
        value = values.get(column.name, "")
        reason = _plain_problem(column, value)
        if not reason and value and column.name in _READERS:
            result = _READERS[column.name](value, known)
            reason = result.problem
            read |= result.read
        elif not reason and value:
            read[column.name] = value
        if reason:
            problems.append(Problem(column.name, reason))
    if problems:
        return Line(number, kept, problems=tuple(problems))
    return Line(number, kept, row=ReferralRow(**read))  # type: ignore[arg-type]  # each reader gives its own type


def _cell(value: str) -> str:
    text = " ".join(value.split())
    return text[1:] if text[:1] == "'" and _FORMULA.match(text[1:]) else text


def _plain_problem(column: Column, value: str) -> str:
    if column.required and not value:
        return "is missing"
    if len(value) > column.longest:
        return f"is longer than {column.longest} characters"
    return ""


@dataclass(frozen=True)
class _Read:
    problem: str = ""
    read: Mapping[str, object] = field(default_factory=dict)


def read_date(text: str) -> date | None:
    """Read 14-Aug-1980 or 1980-08-14; None for anything else."""
    try:
        if match := _WRITTEN_DATE.fullmatch(text):
            return date(int(match[3]), MONTHS.index(match[2].lower()) + 1, int(match[1]))
        if match := _ISO_DATE.fullmatch(text):
            return date(int(match[1]), int(match[2]), int(match[3]))
    except ValueError:
        return None
    return None


NO_DATE = "must be a real date like 14-Aug-1980 or 1980-08-14"


def _birth_date(text: str, known: Known) -> _Read:
    day = read_date(text)
    if day is None:
        return _Read(NO_DATE)
    if birth_date_problem(day, today=known.today):
        return _Read("must lie within the last 120 years and not ahead")
    return _Read(read={"birth_date": day})


def _received(text: str, known: Known) -> _Read:
    day_part, _, clock_part = (
        text.replace("T", " ").partition(" ") if "T" in text[:11] else _split_clock(text)
    )
    day = read_date(day_part)
    if day is None:
        return _Read(NO_DATE + ", with a time like 08:50 or without")
    if day > known.today:
        return _Read("must be today or in the past")
    if (known.today - day).days > 366 * 5:
        return _Read("must lie within the last five years")
    clock: time | None = None
    if clock_part:
        match = _CLOCK.fullmatch(clock_part)
        try:
            clock = time(int(match[1]), int(match[2])) if match else None
        except ValueError:
            clock = None
        if clock is None:
            return _Read("must have a time like 08:50, 24-hour, or none")
    return _Read(read={"received_on": day, "received_time": clock})


def _split_clock(text: str) -> tuple[str, str, str]:
    """Divide `24-Nov-2026 08:50` before its last word, where that is a time."""
    before, gap, last = text.rpartition(" ")
    return (before, gap, last) if gap and ":" in last else (text, "", "")


def _record_number(text: str, known: Known) -> _Read:
    plain = text.replace(" ", "")
    return _Read(read={"record_number": plain if plain.isdigit() else text})


def _urgency(text: str, known: Known) -> _Read:
    if text.lower() not in URGENCIES:
        return _Read("must be urgent, soon or routine")
    return _Read(read={"urgency": text.lower()})


def _sex(text: str, known: Known) -> _Read:
    if text.lower() not in SEXES:
        return _Read("must be female, male or other, or empty")
    return _Read(read={"sex": SEXES[text.lower()]})


def _national_number(text: str, known: Known) -> _Read:
    if not check_digit_is_right(text):
        return _Read("has a check digit that does not fit: ten digits, the last one by modulus 11")
    return _Read(read={"national_number": text.replace(" ", "").replace("-", "")})


def _unit(text: str, known: Known) -> _Read:
    if folded(text) not in known.units:
        return _Read("is not the name of a unit in use")
    return _Read(read={"unit": known.units[folded(text)]})


def _diagnosis_group(text: str, known: Known) -> _Read:
    if folded(text) not in known.diagnosis_groups:
        return _Read("is not one of the diagnosis groups")
    return _Read(read={"diagnosis_group": known.diagnosis_groups[folded(text)]})


def _conditions(text: str, known: Known) -> _Read:
    keys = tuple(dict.fromkeys(re.split(r"[\s,;|]+", text.lower().strip(" ,;|"))))
    if unknown := [key for key in keys if key not in known.conditions]:
        return _Read(f"has keys that the rule table does not know: {', '.join(unknown)}")
    return _Read(read={"conditions": keys})


def _name(column: str) -> Callable[[str, Known], _Read]:
    def read(text: str, known: Known) -> _Read:
        if not folded(text):
            return _Read("must have at least one letter")
        return _Read(read={column: text})

    return read


_READERS: Mapping[str, Callable[[str, Known], _Read]] = {
    "record_number": _record_number,
    "family_name": _name("family_name"),
    "given_name": _name("given_name"),
    "birth_date": _birth_date,
    "received": _received,
    "urgency": _urgency,
    "sex": _sex,
    "national_number": _national_number,
    "unit": _unit,
    "diagnosis_group": _diagnosis_group,
    "conditions": _conditions,
}


def write_refused(header: Iterable[str], delimiter: str, lines: Iterable[Line]) -> str:
    """Write refused rows as a file that can be corrected and sent again: line and reasons, then the cells.

    Cells that a spreadsheet would run as a formula get an apostrophe, which is taken off when the file is read.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
    names = [name for name in header if name not in EXTRA]
    places = [place for place, name in enumerate(header) if name not in EXTRA]
    writer.writerow([*EXTRA, *names])
    for line in lines:
        full = len(line.cells) >= max(places, default=0) + 1
        cells = [line.cells[place] for place in places] if full else list(line.cells)
        why = "; ".join(str(problem) for problem in line.problems)
        writer.writerow([str(line.number), why, *(_harmless(cell) for cell in cells)])
    return out.getvalue()


def _harmless(cell: str) -> str:
    return f"'{cell}" if _FORMULA.match(cell) else cell


def received_at(row: ReferralRow, instant_of: Callable[[date, time], datetime], now: datetime) -> datetime:
    """The instant of receipt: a day alone counts from 00:00, so that waiting is never told too short."""
    return min(instant_of(row.received_on, row.received_time or time(0)), now)
