"""Every figure of the service, callable from outside without Django, database, clock or network.

    python -m therapy.calculate NAME [--in json|jsonl|csv] < input > output
    python -m therapy.calculate --list
    python -m therapy.calculate --schema NAME
    python -m therapy.calculate --example NAME

Exit code 0: every case was computed. 1: some case was refused, the others were answered. 2: the input could
not be read, or the name is unknown. Messages for people go to stderr only.
"""

import argparse
import csv
import io
import json
import math
import sys
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any, NoReturn, TextIO

from clinic.calculation import NotCalculable
from therapy.calculations import REGISTRY, Calculation
from therapy.figure_inputs import Fault, Value, read

ALL_COMPUTED, SOME_REFUSED, UNREADABLE = 0, 1, 2
# Longer digit strings carry no measurement and would only slow the reader down.
_LONGEST_NUMBER = 40
_LARGEST_CELL = 16_000_000


class Unreadable(ValueError):
    """The input as a whole is no JSON, JSON lines or CSV."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Read the command line, run the calculation over standard input, and return the exit code."""
    options = _parser().parse_args(arguments)
    if options.list:
        print("\n".join(REGISTRY))  # noqa: T201 - a command's answer belongs on standard output
        return ALL_COMPUTED
    name = options.schema or options.example or options.name
    calculation = REGISTRY.get(name or "")
    if calculation is None:
        return _complain(f"There is no calculation {name!r}. Known: {', '.join(REGISTRY)}.")
    if options.schema:
        return _write(schema(calculation), sys.stdout, indent=2)
    if options.example:
        return _write(calculation.example, sys.stdout, indent=2)
    try:
        text = sys.stdin.buffer.read().decode("utf-8-sig")
        cases, lines = _cases(text, options.format, calculation)
    except (Unreadable, UnicodeDecodeError, RecursionError) as error:
        return _complain(f"The input cannot be read: {error}")
    answers = [answer(calculation, case) for case in cases]
    if lines:
        for each in answers:
            _write(each, sys.stdout)
    else:
        _write(answers if text.lstrip().startswith("[") else answers[0], sys.stdout)
    return ALL_COMPUTED if all(each["ok"] for each in answers) else SOME_REFUSED


def answer(calculation: Calculation, case: Value) -> dict[str, Value]:
    """One case answered or refused; a refusal names every fault that could be found at once."""
    faults: list[Fault] = []
    arguments: Value = None
    label: Value = None
    if isinstance(case, dict):
        label = case.get("case")
        arguments = read(calculation.inputs, {k: v for k, v in case.items() if k != "case"}, "", faults)
    else:
        faults.append(Fault("", "wrong_type", "A case must be an object.", "an object", case))
    if not faults:
        try:
            result = calculation.result(arguments)
        except NotCalculable as refusal:
            faults.append(Fault(refusal.field, refusal.code, refusal.message, refusal.allowed, refusal.got))
    if faults:
        return {"case": label, "ok": False, "errors": [_error(fault) for fault in faults]}
    about = {
        "calculation": calculation.name,
        "version": calculation.version,
        "sources": list(calculation.sources),
    }
    return {"case": label, "ok": True, "result": result, "about": about}


def schema(calculation: Calculation) -> dict[str, Value]:
    """The JSON schema of one case (draft 2020-12)."""
    inputs = calculation.inputs.schema()
    inputs["properties"] = {"case": {"description": "Echoed in the answer."}} | inputs["properties"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": calculation.name,
        "description": " ".join((calculation.function.__doc__ or "").split("\n\n", maxsplit=1)[0].split()),
    } | inputs


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m therapy.calculate", description="Check any figure of the service from outside."
    )
    parser.add_argument("name", nargs="?", metavar="NAME", help="one of those that --list prints")
    parser.add_argument("--in", dest="format", choices=("json", "jsonl", "csv"), default="json")
    parser.add_argument("--list", action="store_true", help="print the names")
    parser.add_argument("--schema", metavar="NAME", help="print the JSON schema of an input")
    parser.add_argument("--example", metavar="NAME", help="print an input that works")
    return parser


def _cases(text: str, form: str, calculation: Calculation) -> tuple[list[Value], bool]:
    """The cases of the input, and whether the answers are to stand on a line each."""
    if form == "csv":
        return list(_csv_cases(text, calculation)), True
    if form == "jsonl":
        lines = enumerate(text.splitlines(), start=1)
        return [read_json(line, f"line {number}") for number, line in lines if line.strip()], True
    value = read_json(text, "the text")
    if not isinstance(value, dict | list):
        raise Unreadable("it must be one object or an array of objects")
    return (value if isinstance(value, list) else [value]), False


def read_json(text: str, where: str) -> Value:
    """Read JSON with exact numbers. Raises: Unreadable, also where numbers or names make no sense."""
    try:
        return json.loads(
            text,
            parse_float=_decimal,
            parse_int=_integer,
            parse_constant=_no_constant,
            object_pairs_hook=_no_repeated_names,
        )
    except ValueError as error:
        raise Unreadable(f"{where} is not JSON ({error})") from error


def _decimal(digits: str) -> Decimal:
    return Decimal(_short(digits))


def _integer(digits: str) -> int:
    return int(_short(digits))


def _short(digits: str) -> str:
    if len(digits) > _LONGEST_NUMBER:
        raise ValueError(f"a number of {len(digits)} digits")
    return digits


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a JSON number")


def _no_repeated_names(pairs: list[tuple[str, Value]]) -> dict[str, Value]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def _csv_cases(text: str, calculation: Calculation) -> Iterable[dict[str, Value]]:
    """Rows under a header of field names; an empty cell is null, lists and objects are JSON in a cell."""
    csv.field_size_limit(_LARGEST_CELL)
    rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = next(rows, None)
        if not header or len(set(header)) < len(header):
            raise Unreadable("the first line must name each field once")
        for row in rows:
            if not row:
                continue
            if len(row) > len(header):
                raise Unreadable(f"line {rows.line_num} has more cells than the header")
            yield {name: _cell(name, cell, calculation) for name, cell in zip(header, row, strict=False)}
    except csv.Error as error:
        raise Unreadable(f"line {rows.line_num} is not CSV ({error})") from error


def _cell(name: str, cell: str, calculation: Calculation) -> Value:
    spec = calculation.inputs.fields.get(name)
    if cell.strip() == "":
        return None
    return spec.from_cell(cell.strip()) if spec else cell


def _error(fault: Fault) -> dict[str, Value]:
    return {
        "field": fault.field,
        "code": fault.code,
        "message": fault.message,
        "allowed": fault.allowed,
        "got": fault.got,
    }


def _write(value: Value, out: TextIO, indent: int | None = None) -> int:
    json.dump(value, out, indent=indent, ensure_ascii=False, allow_nan=False, default=_exact)
    out.write("\n")
    return ALL_COMPUTED


def _exact(value: Any) -> float | str:
    """Numbers that were read exactly go back as numbers, anything else a refusal echoes as its words."""
    if isinstance(value, Decimal) and math.isfinite(float(value)):
        return float(value)
    return str(value)


def _complain(message: str) -> int:
    print(message, file=sys.stderr)  # noqa: T201 - messages for people go to stderr
    return UNREADABLE


if __name__ == "__main__":
    sys.exit(main())
