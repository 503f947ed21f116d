"""The referral file: what is read, what is refused and why."""

import csv
import io
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.referrals import rules
from clinic.referrals.rules import (
    COLUMNS,
    FileRefused,
    Known,
    Line,
    check_rows,
    read_date,
    read_table,
    write_refused,
)

TODAY = date(2026, 11, 25)
KNOWN = Known(
    units={"acuteward": 7},
    diagnosis_groups={"copd": "copd", "bronchiectasiswithoutcf": "bronchiectasis"},
    today=TODAY,
    conditions=frozenset({"rib_fracture", "osteoporosis"}),
)
GOOD = {column.name: column.example for column in COLUMNS}


def file_of(*rows: dict[str, str], delimiter: str = ",", names: list[str] | None = None) -> bytes:
    out = io.StringIO()
    names = names or [column.name for column in COLUMNS]
    writer = csv.DictWriter(out, names, delimiter=delimiter, extrasaction="ignore")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def read(content: bytes) -> list[Line]:
    return list(check_rows(read_table(content), KNOWN))


def problems(**changes: str) -> list[str]:
    return [str(problem) for problem in read(file_of({**GOOD, **changes}))[0].problems]


def test_the_documented_example_is_a_good_row() -> None:
    line = read(file_of(GOOD))[0]
    assert line.problems == ()
    row = line.row
    assert row is not None
    assert (row.record_number, row.birth_date, row.received_on) == (
        "204118553",
        date(1958, 3, 14),
        date(2026, 11, 24),
    )
    assert (row.received_time, row.unit, row.sex, row.diagnosis_group) == (
        time(8, 50),
        7,
        "male",
        "bronchiectasis",
    )
    assert row.national_number == "9434765919"


def test_the_readme_documents_every_column_as_it_is_read() -> None:
    readme = Path("README.md").read_text(encoding="utf-8")
    for column in COLUMNS:
        needed = "yes" if column.required else "no"
        assert f"| `{column.name}` | {needed} | {column.words} | {column.example} |" in readme


@pytest.mark.parametrize("delimiter", [",", ";"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_comma_or_semicolon_with_or_without_byte_order_mark(
    delimiter: str, mark: bytes, ending: bytes
) -> None:
    """RFC 4180 for the rows; the mark after Unicode, section 23.8 (U+FEFF in UTF-8 is EF BB BF)."""
    content = file_of(GOOD, delimiter=delimiter).replace(b"\r\n", ending)
    assert [line.row for line in read(mark + content)] == [line.row for line in read(file_of(GOOD))]


def test_cells_may_hold_delimiters_quotes_and_line_ends_in_quotation_marks() -> None:
    """RFC 4180, section 2, rules 5 to 7."""
    line = read(file_of({**GOOD, "reason": 'Sputum "green", more;\nweak cough'}))[0]
    assert line.row is not None
    assert line.row.reason == 'Sputum "green", more; weak cough'


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("14-Aug-1980", date(1980, 8, 14)), ("4-aug-1980", date(1980, 8, 4)), ("14 August 1980", date(1980, 8, 14)),
        ("1980-08-14", date(1980, 8, 14)), ("2024-02-29", date(2024, 2, 29)),
        ("29-Feb-2023", None), ("04/05/1980", None), ("14-08-1980", None), ("14-Aug-80", None), ("19800814", None),
        ("1980-8-14", None), ("", None), ("31-Jux-1980", None),
    ],
)  # fmt: skip
def test_dates_are_read_in_two_ways_and_no_ambiguous_one(text: str, day: date | None) -> None:
    """ISO 8601 calendar dates, and DD-Mmm-YYYY after the NHS Common User Interface date guide."""
    assert read_date(text) == day


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"record_number": ""}, "record_number"),
        ({"family_name": ""}, "family_name"),
        ({"family_name": "--"}, "family_name"),
        ({"birth_date": "26-Nov-2026"}, "birth_date"),
        ({"birth_date": "01-Jan-1880"}, "birth_date"),
        ({"received": "26-Nov-2026"}, "received"),
        ({"received": "24-Nov-2026 25:00"}, "received"),
        ({"received": "24-Nov-2010"}, "received"),
        ({"urgency": "at once"}, "urgency"),
        ({"reason": "a" * 501}, "reason"),
        ({"sex": "x"}, "sex"),
        ({"national_number": "943 476 5918"}, "national_number"),
        ({"unit": "Ward 9"}, "unit"),
        ({"diagnosis_group": "flu"}, "diagnosis_group"),
    ],
)
def test_a_bad_cell_is_named_by_its_column(changes: dict[str, str], column: str) -> None:
    found = problems(**changes)
    assert len(found) == 1
    assert found[0].startswith(f"{column}: ")


def test_every_bad_cell_of_a_row_is_told_at_once() -> None:
    assert len(problems(birth_date="04/05/1980", urgency="now", sex="x")) == 3


def test_optional_cells_may_be_empty_and_unknown_is_kept_unknown() -> None:
    line = read(file_of({name: value for name, value in GOOD.items() if rules.BY_NAME[name].required}))[0]
    assert line.row is not None
    assert (line.row.sex, line.row.unit, line.row.diagnosis_group) == ("unknown", None, "other")


def test_columns_may_stand_in_any_order_and_any_case() -> None:
    names = [column.name for column in reversed(COLUMNS)]
    content = file_of(GOOD, names=names)
    header, rest = content.split(b"\r\n", 1)
    shouted = header.upper().replace(b"_", b" ") + b"\r\n" + rest
    assert read(shouted)[0].row == read(file_of(GOOD))[0].row


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"Mosswater,Bryn\n", "lacks the columns record_number"),
        ("record_number\n".encode("utf-16"), "UTF-16"),
        (file_of(GOOD).replace(b"Bryn", "Bj\xf8rn".encode("latin-1")), "not UTF-8"),
        (b"\0" * 40, "characters that no text has"),
        (file_of(GOOD).replace(b"room", b"rooom", 1), "not known: rooom"),
        (file_of(GOOD).replace(b"room", b"unit", 1), "twice: unit"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_as_a_whole_and_says_what_to_do(
    content: bytes, words: str
) -> None:
    with pytest.raises(FileRefused, match=words):
        read_table(content)


def test_a_row_with_other_cells_than_the_header_and_an_unclosed_quote_spoil_no_other_row() -> None:
    header, good = file_of(GOOD).decode().splitlines()
    lines = read("\n".join([header, good, "1,2,3", '"never closed,' + good, good, "", good]).encode())
    assert [line.number for line in lines] == [2, 3, 4, 5, 7]
    assert [bool(line.row) for line in lines] == [True, False, False, True, True]
    assert "cells" in str(lines[1].problems[0])
    assert "quotation" in str(lines[2].problems[0])


def test_a_file_full_of_unclosed_quotes_is_refused_and_not_read_for_ever() -> None:
    header = file_of(GOOD).decode().splitlines()[0]
    with pytest.raises(FileRefused, match="quotation marks"):
        read_table("\n".join([header, *['a,"b'] * 1000]).encode())


def test_the_same_row_has_the_same_key_whatever_its_case_and_spaces() -> None:
    one = read(file_of(GOOD))[0].row
    other = read(file_of({**GOOD, "reason": " more  SPUTUM, weak cough ", "record_number": "204 118 553"}))[
        0
    ].row
    later = read(file_of({**GOOD, "received": "25-Nov-2026"}))[0].row
    assert one is not None
    assert other is not None
    assert later is not None
    assert one.key == other.key != later.key


def test_the_file_of_refused_rows_says_why_and_can_be_sent_again_once_corrected() -> None:
    bad = {**GOOD, "birth_date": "04/05/1980"}
    table = read_table(file_of(bad, delimiter=";"))
    written = write_refused(table.header, ";", check_rows(table, KNOWN))
    assert written.splitlines()[0].startswith("line;why_refused;record_number")
    assert "birth_date: must be a real date like 14-Aug-1980" in written
    corrected = written.replace("04/05/1980", "14-Mar-1958").encode()
    assert [line.row for line in read(corrected)] == [line.row for line in read(file_of(GOOD))]


@pytest.mark.parametrize("cell", ["=1+1", "+44 20", "-5 kg", "@here"])
def test_no_cell_of_the_refused_file_runs_as_a_formula_and_it_is_read_back_as_it_was(cell: str) -> None:
    """OWASP, CSV injection: a cell that begins with =, +, - or @ is written with an apostrophe before it."""
    table = read_table(file_of({**GOOD, "reason": cell, "urgency": "?"}))
    written = write_refused(table.header, table.delimiter, check_rows(table, KNOWN))
    assert f"'{cell}" in written
    line = read(written.replace("?", "soon").encode())[0]
    assert line.row is not None
    assert line.row.reason == cell


def test_a_receipt_without_a_time_counts_from_the_start_of_its_day_and_never_from_the_future() -> None:
    row = read(file_of({**GOOD, "received": "2026-11-24"}))[0].row
    assert row is not None

    def instant_of(day: date, clock: time) -> datetime:
        return datetime.combine(day, clock, UTC)

    assert rules.received_at(row, instant_of, datetime(2026, 11, 25, tzinfo=UTC)) == datetime(
        2026, 11, 24, tzinfo=UTC
    )
    assert rules.received_at(row, instant_of, datetime(2026, 11, 23, tzinfo=UTC)) == datetime(
        2026, 11, 23, tzinfo=UTC
    )


HEADER = file_of().decode().splitlines()[0]
CELL = st.one_of(
    st.text(max_size=12),
    st.sampled_from(list(GOOD.values())),
    st.sampled_from(['"', ",", ";", "\r", "\n", "'=", "29-Feb-2023"]),
)


@given(st.binary(max_size=300))
def test_no_bytes_whatever_break_the_reader(content: bytes) -> None:
    try:
        table = read_table(content)
    except FileRefused:
        return
    list(check_rows(table, KNOWN))


@given(st.lists(st.lists(CELL, min_size=1, max_size=len(COLUMNS)), max_size=4))
def test_no_rows_whatever_break_the_reader_and_each_is_good_or_says_why(rows: list[list[str]]) -> None:
    text = "\n".join([HEADER, *(",".join(cells) for cells in rows)])
    try:
        table = read_table(text.encode("utf-8", "surrogatepass"))
    except FileRefused:
        return
    lines = list(check_rows(table, KNOWN))
    assert len(lines) == len(table.rows)
    for line in lines:
        assert (line.row is None) == bool(line.problems)
    write_refused(table.header, table.delimiter, lines)


@given(
    st.lists(
        st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\0"), max_size=20),
        min_size=3,
        max_size=3,
    )
)
def test_text_cells_come_through_as_they_were_but_for_spaces(cells: list[str]) -> None:
    row = {**GOOD, "reason": "x" + cells[0], "referrer": "y" + cells[1], "room": cells[2][:10]}
    line = read(file_of(row))[0]
    assert line.row is not None
    assert line.row.reason == " ".join(row["reason"].split())
    assert line.row.referrer == " ".join(row["referrer"].split())
