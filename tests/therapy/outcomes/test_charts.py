"""Charts: what is drawn, what is said to whoever cannot see it, and the table behind."""

import re
import xml.etree.ElementTree as ET
from datetime import date, timedelta
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from therapy.outcomes.charts import Axis, Mark, Row, Series, by_group, over_time, token_table

MONDAY = date(2026, 11, 16)
ML = Axis("mL", 0, (30, 60, 120), steps=3)
SVG = "{http://www.w3.org/2000/svg}"


def days(*values, reason="not collected"):
    return [
        Mark(MONDAY + timedelta(days=i), value, "" if value is not None else reason)
        for i, value in enumerate(values)
    ]


def drawn(*series):
    chart = over_time("Sputum falls", "mL a day, one patient", series, ML)
    return chart, ET.fromstring(chart.svg)  # noqa: S314 - our own drawing


def test_every_value_is_a_point_and_a_gap_is_never_bridged():
    _, svg = drawn(Series("sputum", days(6, 7, None, 8, None, 9, 10)))
    assert len(svg.findall(f"{SVG}circle")) == 5
    lines = [line.get("points").split() for line in svg.findall(f"{SVG}polyline")]
    assert [len(line) for line in lines] == [2, 2]
    assert len(svg.findall(f"{SVG}path[@class='chart-gap']")) == 2


def test_a_gap_says_why_and_the_table_says_it_too():
    chart, svg = drawn(Series("sputum", days(6, None, 8)))
    assert "not collected" in [text.text for text in svg.findall(f"{SVG}text")]
    assert chart.table.rows == (
        ("16-Nov-2026", "6"),
        ("17-Nov-2026", "not collected"),
        ("18-Nov-2026", "8"),
    )
    assert chart.table.columns == ("Date", "sputum (mL)")


def test_time_is_to_scale_and_the_newest_stands_at_the_right():
    marks = [Mark(MONDAY, 1), Mark(MONDAY + timedelta(days=1), 1), Mark(MONDAY + timedelta(days=4), 1)]
    _, svg = drawn(Series("sputum", marks))
    first, second, third = (float(point.get("cx")) for point in svg.findall(f"{SVG}circle"))
    assert round((third - first) / (second - first), 2) == 4


def test_the_axis_is_fixed_for_its_measure_and_never_stretched_to_the_data():
    assert ML.high([3, 4]) == 30
    assert ML.high([31]) == 60
    assert ML.high([121]) == 240
    assert ML.high([]) == 30


def test_the_unit_stands_on_the_axis_and_the_message_in_the_text_for_a_screen_reader():
    _, svg = drawn(Series("sputum", days(6)))
    assert svg.get("role") == "img"
    assert svg.find(f"{SVG}title").text == "Sputum falls. mL a day, one patient"
    assert svg.get("aria-label") == "Sputum falls. mL a day, one patient"
    assert "mL" in [text.text for text in svg.findall(f"{SVG}text")]


def test_no_text_is_turned_and_no_style_needs_a_style_sheet():
    chart, _ = drawn(Series("before", days(6, 7), hollow=True), Series("after", days(8, 9)))
    assert "rotate" not in chart.svg
    assert "style=" not in chart.svg
    assert "<style" not in chart.svg


def test_two_series_differ_by_shape_and_are_named_in_the_drawing():
    _, svg = drawn(Series("before", days(6, 7), hollow=True), Series("after", days(8, 9)))
    rings = svg.findall(f"{SVG}circle[@fill='{token_table()['surface']}']")
    assert len(rings) == 3
    assert {"before", "after"} <= {text.text for text in svg.findall(f"{SVG}text")}


def test_every_colour_comes_from_the_token_table():
    chart, _ = drawn(Series("before", days(6, None), hollow=True), Series("after", days(8, 9)))
    groups = by_group(
        "t", "s", [Row("COPD", 5, 2, 9, marked=True)], ML, columns=("Group", "Median", "Q", "From")
    )
    used = set(re.findall(r"#[0-9a-fA-F]{3,8}", chart.svg + groups.svg))
    assert used <= set(token_table().values())


def test_what_a_name_says_cannot_break_the_drawing():
    chart = by_group('<b>"&', "s", [Row('a<b>&"', 5, note="<i>")], ML, columns=("Group", "Median"))
    assert ET.fromstring(chart.svg).find(f"{SVG}title").text == '<b>"&. s'  # noqa: S314 - our own drawing


def test_a_group_without_a_value_says_so_and_has_no_point():
    chart = by_group(
        "t", "s", [Row("COPD", None, note="no volume measured")], ML, columns=("Group", "Median", "From")
    )
    assert "<circle" not in chart.svg
    assert chart.table.rows == (("COPD", "Not recorded", "no volume measured"),)


@given(st.lists(st.one_of(st.none(), st.fractions(0, 500)), max_size=40))
def test_any_values_are_drawn_within_the_picture_and_the_same_bytes_each_time(values):
    marks = [Mark(MONDAY + timedelta(days=i), value, "gap") for i, value in enumerate(values)]
    chart = over_time("t", "s", [Series("x", marks)], ML)
    assert chart == over_time("t", "s", [Series("x", marks)], ML)
    svg = ET.fromstring(chart.svg)  # noqa: S314 - our own drawing
    _, _, width, height = map(float, svg.get("viewBox").split())
    for point in svg.findall(f"{SVG}circle"):
        assert 0 <= float(point.get("cx")) <= width
        assert 0 <= float(point.get("cy")) <= height


def test_a_share_is_drawn_from_its_exact_value():
    axis = Axis("%", 0, (100,))
    chart = over_time("t", "s", [Series("share", [Mark(MONDAY, Fraction(1, 3) * 100)])], axis)
    assert "<circle" in chart.svg
