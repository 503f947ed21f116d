"""Charts as hand-made SVG, the same in a page and in a PDF: points, straight lines within unbroken runs, gaps as gaps.

Each chart has a finding as its title, a subtitle that says what is shown, a short text for whoever cannot see it, and
the table of its values, all from one call. Colours come from the token table only; they stand as attributes because
a PDF does not apply a page's style sheet inside an SVG, and carry a class so that a page's dark theme can.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

from clinic import formats
from therapy.outcomes.response import runs

TOKENS_FILE = Path(__file__).resolve().parents[2] / "clinic/static/clinic/tokens.css"
Number = int | Fraction
# Drawing units: a chart over the whole width of a page, and one over half of it. Text is 13 units high in both.
WIDE, HALF = 640, 360
_LEFT, _RIGHT, _TOP = 52, 16, 30
_TEXT = 13
_SMALL = 11
_STRIP = 30


@dataclass(frozen=True)
class Axis:
    """A scale that is fixed for its measure: ``upper`` are the ends it may have, the first that holds every value."""

    unit: str
    low: int
    upper: tuple[int, ...]
    steps: int = 4
    write: Callable[[Number], str] = lambda value: formats.number(float(value))

    def high(self, values: Sequence[Number]) -> Number:
        largest = max(values, default=self.low)
        fitting = next((end for end in self.upper if end >= largest), None)
        if fitting is not None:
            return fitting
        return self.upper[-1] * -(-largest // self.upper[-1])


@dataclass(frozen=True)
class Mark:
    """One value at one time. Without a value it is a gap, and ``reason`` says why."""

    at: date
    value: Number | None
    reason: str = ""
    label: str = ""


@dataclass(frozen=True)
class Series:
    """Values over time with the name that stands beside them; ``hollow`` is drawn as rings."""

    name: str
    marks: Sequence[Mark]
    hollow: bool = False


@dataclass(frozen=True)
class Row:
    """One group: its value, perhaps the ends of an interval or of the quartiles, and what to write beside it."""

    name: str
    value: Number | None
    low: Number | None = None
    high: Number | None = None
    note: str = ""
    marked: bool = False


@dataclass(frozen=True)
class Table:
    """The values behind a chart."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Chart:
    """A finding, what it is about, the drawing and the table of its values."""

    title: str
    subtitle: str
    svg: str
    table: Table


@cache
def token_table() -> Mapping[str, str]:
    """The colours of the light theme by token name, read from the one tokens file."""
    root = re.search(r":root\s*{(.*?)}", TOKENS_FILE.read_text(encoding="utf-8"), re.DOTALL)
    if root is None:
        raise ValueError(f"{TOKENS_FILE.name} holds no :root block")
    return dict(re.findall(r"--([\w-]+):\s*([^;]+);", root[1]))


def over_time(title: str, subtitle: str, series: Sequence[Series], axis: Axis, *, width: int = WIDE) -> Chart:
    """Values at their dates, oldest at the left; a missing value leaves a gap with a mark and its reason."""
    days = [mark.at for each in series for mark in each.marks]
    values = [mark.value for each in series for mark in each.marks if mark.value is not None]
    first, last = (min(days), max(days)) if days else (date.min, date.min)
    box = _Box(axis.high(values), axis.low, 220, right=width - _RIGHT)
    span = max((last - first).days, 1)

    def x_of(day: date) -> float:
        return box.left + (box.right - box.left) * (day - first).days / span

    # What is missing stands in a strip of its own under the floor, where no value can cover it.
    strip = _STRIP if any(mark.value is None for each in series for mark in each.marks) else 0
    parts = [*_grid(box, axis), *(_days(box, first, last, x_of, strip) if days else ())]
    for index, each in enumerate(series):
        parts += _line(each, index, box, x_of)
    parts += _gaps(series, box, x_of)
    if len(series) > 1:
        parts += _legend(series, box)
    table = _time_table(title, subtitle, series, axis)
    return Chart(title, subtitle, _svg(f"{title}. {subtitle}", parts, width, box.height + 28 + strip), table)


def by_group(
    title: str,
    subtitle: str,
    rows: Sequence[Row],
    axis: Axis,
    *,
    columns: tuple[str, ...],
    width: int = WIDE,
) -> Chart:
    """One line per group in the order given: a point, its interval as a thin line, and the words beside it.

    ``columns`` head the table: group, value, and, where rows have them, interval and note.
    """
    values = [end for row in rows for end in (row.value, row.high) if end is not None]
    widest = max((len(row.name) for row in rows), default=0)
    left = min(26 + 6.6 * widest, 260)
    room = max(60, 18 + 6.8 * max((len(row.note) for row in rows), default=0))
    box = _Box(axis.high(values), axis.low, _TOP + 26 * len(rows) - 8, left, width - _RIGHT, room)
    parts = []
    for step in range(axis.steps + 1):
        value = Fraction(axis.low) + (box.high - axis.low) * Fraction(step, axis.steps)
        x = box.x(value)
        parts += [
            _rule(x, _TOP - 20, x, box.height, "line"),
            _text(x, box.height + 16, axis.write(value), anchor="middle"),
        ]
    middle = (box.x(box.low) + box.x(box.high)) / 2
    parts.append(_text(middle, box.height + 32, axis.unit, anchor="middle"))
    for index, row in enumerate(rows):
        parts += _group(row, box, _TOP - 4 + 26 * index)
    table = Table(f"{title}. {subtitle}", columns, tuple(_cells(row, axis, len(columns)) for row in rows))
    return Chart(title, subtitle, _svg(f"{title}. {subtitle}", parts, width, box.height + 40), table)


@dataclass(frozen=True)
class _Box:
    """The area of a drawing and the scale in it."""

    high: Number
    low: Number
    height: float
    left: float = _LEFT
    right: float = WIDE - _RIGHT
    notes: float = 0

    def y(self, value: Number) -> float:
        return float(self.height - (self.height - _TOP) * Fraction(value - self.low) / (self.high - self.low))

    def x(self, value: Number) -> float:
        share = float(Fraction(value - self.low) / (self.high - self.low))
        return self.left + (self.right - self.notes - self.left) * share


def _svg(alt: str, parts: Sequence[str], width: int, height: float) -> str:
    body = "".join(parts)
    font = escape(token_table()["font"].replace(chr(34), "'"))
    return (
        f'<svg class="chart" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {_n(height)}" role="img" '
        f'font-family="{font}" '
        f'aria-label="{escape(alt, {chr(34): "&quot;"})}"><title>{escape(alt)}</title>{body}</svg>'
    )


def _grid(box: _Box, axis: Axis) -> list[str]:
    parts = [_text(box.left - 8, 14, axis.unit, anchor="start" if len(axis.unit) > 6 else "end")]
    if len(axis.unit) > 6:
        parts = [_text(4, 14, axis.unit)]
    for step in range(axis.steps + 1):
        value = Fraction(axis.low) + (box.high - axis.low) * Fraction(step, axis.steps)
        y = box.y(value)
        parts += [
            _rule(box.left, y, box.right, y, "line"),
            _text(box.left - 8, y + 4, axis.write(value), anchor="end"),
        ]
    return parts


def _days(box: _Box, first: date, last: date, x_of: Callable[[date], float], strip: float) -> list[str]:
    y = box.height + 20 + strip
    parts = [_text(box.left, y, formats.date(first))]
    if last != first:
        parts.append(_text(x_of(last), y, formats.date(last), anchor="end"))
    return parts


def _line(series: Series, index: int, box: _Box, x_of: Callable[[date], float]) -> list[str]:
    token = f"series-{index % 4 + 1}"
    marks = series.marks
    parts = []
    for start, end in runs([None if mark.value is None else 0 for mark in marks]):
        corners = " ".join(
            f"{_n(x_of(mark.at))},{_n(box.y(mark.value))}"
            for mark in marks[start : end + 1]
            if mark.value is not None
        )
        if end > start:
            parts.append(
                f'<polyline class="chart-{token}" points="{corners}" fill="none" '
                f'stroke="{_colour(token)}" stroke-width="1.5"/>'
            )
    for mark in marks:
        if mark.value is None:
            continue
        fill, ink = (_colour("surface"), _colour(token)) if series.hollow else (_colour(token),) * 2
        style = f"chart-{token} {'chart-ring' if series.hollow else 'chart-point'}"
        parts.append(
            f'<circle class="{style}" cx="{_n(x_of(mark.at))}" cy="{_n(box.y(mark.value))}" r="4" '
            f'fill="{fill}" stroke="{ink}" stroke-width="1.5"/>'
        )
        if mark.label:
            x = x_of(mark.at)
            anchor = "end" if x > box.right - 24 else "middle"
            parts.append(_text(x, box.y(mark.value) - 9, mark.label, anchor=anchor, strong=True))
    return parts


def _gaps(series: Sequence[Series], box: _Box, x_of: Callable[[date], float]) -> list[str]:
    """A cross under the floor where a value is missing, and the reason where there is room for it."""
    parts: list[str] = []
    free_from = 0.0
    missing = sorted({(m.at, m.reason) for each in series for m in each.marks if m.value is None})
    for day, reason in missing:
        x, y = x_of(day), box.height + 10
        parts.append(
            f'<path class="chart-gap" d="M{_n(x - 3)},{_n(y - 3)}l6,6m0,-6l-6,6" fill="none" '
            f'stroke="{_colour("text-muted")}" stroke-width="1.2"/>'
        )
        width = 5.6 * len(reason)
        start = min(max(x - width / 2, box.left), box.right - width)
        if reason and start > free_from:
            parts.append(_text(start, y + 15, reason, small=True))
            free_from = start + width + 6
    return parts


def _legend(series: Sequence[Series], box: _Box) -> list[str]:
    parts, x = [], box.right
    for index, each in reversed(list(enumerate(series))):
        token = f"series-{index % 4 + 1}"
        x -= 7.2 * len(each.name)
        parts.append(_text(x, 14, each.name))
        fill = _colour("surface") if each.hollow else _colour(token)
        style = f"chart-{token} {'chart-ring' if each.hollow else 'chart-point'}"
        parts.append(
            f'<circle class="{style}" cx="{_n(x - 10)}" cy="10" r="4" fill="{fill}" '
            f'stroke="{_colour(token)}" stroke-width="1.5"/>'
        )
        x -= 30
    return parts


def _group(row: Row, box: _Box, y: float) -> list[str]:
    parts = [_text(box.left - 12, y + 4, row.name, anchor="end", plain=True)]
    if row.value is None:
        return [*parts, _text(box.right, y + 4, row.note, anchor="end")]
    if row.low is not None and row.high is not None:
        parts.append(_rule(box.x(row.low), y, box.x(row.high), y, "series-2", width=2))
    fill = _colour("surface") if row.marked else _colour("series-1")
    style = f"chart-series-1 {'chart-ring' if row.marked else 'chart-point'}"
    parts.append(
        f'<circle class="{style}" cx="{_n(box.x(row.value))}" cy="{_n(y)}" r="5" fill="{fill}" '
        f'stroke="{_colour("series-1")}" stroke-width="1.5"/>'
    )
    if row.note:
        parts.append(_text(box.right, y + 4, row.note, anchor="end"))
    return parts


def _time_table(title: str, subtitle: str, series: Sequence[Series], axis: Axis) -> Table:
    days = sorted({mark.at for each in series for mark in each.marks})
    by_day: list[dict[date, list[str]]] = []
    for each in series:
        column: dict[date, list[str]] = {}
        for mark in each.marks:
            words = mark.reason or formats.NOT_RECORDED
            column.setdefault(mark.at, []).append(words if mark.value is None else axis.write(mark.value))
        by_day.append(column)
    rows = tuple(
        (formats.date(day), *("; ".join(column.get(day, [formats.NOT_RECORDED])) for column in by_day))
        for day in days
    )
    heads = tuple(f"{each.name} ({axis.unit})" for each in series)
    return Table(f"{title}. {subtitle}", ("Date", *heads), rows)


def _cells(row: Row, axis: Axis, columns: int) -> tuple[str, ...]:
    value = formats.NOT_RECORDED if row.value is None else axis.write(row.value)
    cells = [row.name, value]
    if columns > 3:
        has_ends = row.low is not None and row.high is not None
        ends = (axis.write(end) for end in (row.low, row.high) if end is not None)
        cells.append(" to ".join(ends) if has_ends else "None drawn")
    return (*cells, row.note or "No remark")[:columns]


def _rule(x1: float, y1: float, x2: float, y2: float, token: str, *, width: float = 1) -> str:
    return (
        f'<line class="chart-{token}" x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" '
        f'stroke="{_colour(token)}" stroke-width="{width}"/>'
    )


def _text(
    x: float, y: float, words: str, *, anchor: str = "start", small: bool = False, strong: bool = False,
    plain: bool = False,
) -> str:  # fmt: skip
    token = "text" if strong or plain else "text-muted"
    weight = ' font-weight="600"' if strong else ""
    return (
        f'<text class="chart-{token}" x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}" '
        f'font-size="{_SMALL if small else _TEXT}"{weight} fill="{_colour(token)}">{escape(words)}</text>'
    )


def _colour(token: str) -> str:
    return token_table()[token]


def _n(value: float) -> str:
    """A coordinate to a tenth, written one way so that the same data draw the same bytes."""
    return f"{value:.1f}".removesuffix(".0")
