"""Pages on paper: identity, page numbers and print time on each page; the same input gives the same file."""

import datetime as dt
import io
import logging
from typing import Any

import pytest
from django.test.utils import override_settings
from pypdf import PdfReader
from weasyprint.urls import FatalURLFetchingError

from clinic.banner import PatientBanner
from clinic.printing import pdf

PAGE = """{% extends "components/pdf_base.html" %}
{% block foot %}Technique sheet{% endblock %}
{% block content %}<h1>Technique sheet</h1>{% for n in many %}<p>Line {{ n }}</p>{% endfor %}{% endblock %}"""


def locmem(**pages: str) -> Any:
    base = {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [],
        "OPTIONS": {
            "builtins": ["clinic.templatetags.components"],
            "loaders": [
                ("django.template.loaders.locmem.Loader", pages),
                ("django.template.loaders.filesystem.Loader", ["templates"]),
            ],
        },
    }
    return override_settings(TEMPLATES=[base])


def context(**more: Any) -> dict[str, Any]:
    return {
        "printed_at": dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC),
        "printed_by": "M. Saltmarsh",
        "out_of_date_after": dt.date(2026, 11, 30),
        "many": range(120),
        "patient": PatientBanner.of(
            family="Mosswater",
            given="Bryn",
            birth_date=dt.date(1958, 3, 14),
            gender="male",
            number="204118553",
            on=dt.date(2026, 11, 25),
        ),
        **more,
    }


def words_of(data: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(data)).pages]


def test_each_page_names_the_patient_twice_over_and_when_it_was_printed() -> None:
    """Two identifiers on every printed page: National Patient Safety Goals, NPSG.01.01.01 (name, number)."""
    with locmem(sheet=PAGE):
        pages = words_of(pdf("sheet", context()))
    assert len(pages) > 1
    for number, words in enumerate(pages, start=1):
        assert "MOSSWATER, Bryn" in words
        assert "Born 14-Mar-1958 (68 y)" in words
        assert "204 118 553" in words
        assert f"Page {number} of {len(pages)}" in words
        assert "Printed 25-Nov-2026 09:41 by M. Saltmarsh" in words
        assert "May be out of date after 30-Nov-2026" in words
    assert "local protocols and the licensed clinician" in pages[-1]


def test_paper_about_many_patients_carries_no_banner() -> None:
    with locmem(sheet=PAGE):
        pages = words_of(pdf("sheet", context(patient=None)))
    assert all("Born" not in words for words in pages)


def test_the_same_context_gives_the_same_bytes() -> None:
    with locmem(sheet=PAGE):
        assert pdf("sheet", context()) == pdf("sheet", context())


def test_a_printed_page_names_nothing_outside_the_static_files() -> None:
    for address in (
        "https://elsewhere.example/a.css",
        "file:///etc/passwd",
        "../../settings.py",
        "clinic/none.css",
    ):
        stray = PAGE.replace("{% block content %}", '{% block styles %}<link rel="stylesheet" href="'
                             + address + '">{% endblock %}{% block content %}')  # fmt: skip
        with locmem(sheet=stray), pytest.raises(FatalURLFetchingError):
            pdf("sheet", context())


def test_the_print_engine_understands_the_style_sheet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING, logger="weasyprint")
    with locmem(sheet=PAGE):
        pdf("sheet", context())
    complaints = [r.getMessage() for r in caplog.records if r.name.startswith("weasyprint")]
    assert [
        words for words in complaints if "prefers-color-scheme" not in words and "media type" not in words
    ] == []
