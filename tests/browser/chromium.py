"""One headless Chromium for all browser tests and pictures, and axe-core inside it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import axe_playwright_python
from playwright.sync_api import Browser, Page, sync_playwright

EXECUTABLE = "/usr/bin/chromium"
# Without these Chromium asks its maker's hosts for things at each start, which a closed network refuses.
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESKTOP, TABLET, NARROW = (1280, 800), (800, 1280), (320, 800)
SIZES = {"desktop": DESKTOP, "tablet": TABLET, "narrow": NARROW}
AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start Chromium and end it."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=EXECUTABLE, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


def violations(page: Page) -> list[str]:
    """What axe-core finds on the page as it stands, one line per rule with the first places."""
    if not page.evaluate("() => typeof window.axe === 'object'"):
        page.evaluate(AXE)
    found: list[dict[str, Any]] = page.evaluate(
        "tags => axe.run(document, {runOnly: tags, resultTypes: ['violations']}).then(r => r.violations)",
        TAGS,
    )
    return [
        f"{rule['id']}: {rule['help']}: " + " | ".join(node["html"][:160] for node in rule["nodes"][:3])
        for rule in found
    ]
