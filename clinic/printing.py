"""Pages on paper: a template becomes a PDF, with the fonts and tokens of the screens and nothing from the network."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from weasyprint import HTML
from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse

# A name that can never resolve (RFC 6761); what follows is the name of a static file.
BASE = "http://static.invalid/"


class _StaticOnly(URLFetcher):  # type: ignore[misc]  # WeasyPrint ships no types
    """Answers for the project's own static files; any other address stops the print."""

    def fetch(self, url: str, headers: Any = None) -> URLFetcherResponse:
        path = finders.find(url.removeprefix(BASE)) if url.startswith(BASE) else None
        if not isinstance(path, str):
            msg = f"A printed page may name static files only, not {url}"
            raise FatalURLFetchingError(msg)
        kind = {"css": "text/css", "svg": "image/svg+xml"}.get(path.rpartition(".")[2], "font/otf")
        return URLFetcherResponse(url, Path(path).read_bytes(), {"Content-Type": kind})


def pdf(template: str, context: dict[str, Any]) -> bytes:
    """Draw a template that extends components/pdf_base.html. The same context gives the same bytes."""
    frame = {"clinic_name": settings.CLINIC_NAME, "training_data": settings.TRAINING_DATA}
    html = render_to_string(template, {**frame, **context})
    return bytes(HTML(string=html, base_url=BASE, url_fetcher=_StaticOnly()).write_pdf())
