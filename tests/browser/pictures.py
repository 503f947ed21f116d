"""Writes a picture of every page (tablet and desktop, light and dark) and of every PDF page to var/pictures/.

Run by `make pictures`. With --readme it writes the few small ones of the README to fixtures/pictures/ instead.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.browser.seen import Seen
    from tests.browser.stage import Stage

ROOT = Path(__file__).resolve().parents[2]
README = ("home-therapist", "home-lead", "record-session", "report-pdf")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readme", action="store_true", help="only the small pictures of the README")
    parser.add_argument("only", nargs="*", help="names of pages; all without")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ.update(CLINIC_DATA_DIR=folder, DJANGO_ALLOW_ASYNC_UNSAFE="true")
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
        import django

        django.setup()
        take(ROOT / "fixtures/pictures" if asked.readme else ROOT / "var/pictures", asked)


def take(folder: Path, asked: argparse.Namespace) -> None:
    """Fill a database of its own with the demo clinic and walk through it."""
    from django.test.utils import (
        override_settings,
        setup_databases,
        setup_test_environment,
        teardown_databases,
    )

    from tests.browser import stage as staging
    from tests.browser.pages import PAGES, PDFS

    folder.mkdir(parents=True, exist_ok=True)
    wanted = asked.only or (README if asked.readme else ())
    setup_test_environment()
    before = setup_databases(verbosity=0, interactive=False)
    try:
        with override_settings(**staging.PLAIN_STATIC), staging.stage() as made:
            staging.load_demo()
            for seen in PAGES:
                if not wanted or seen.name in wanted:
                    photograph(made, seen, folder, small=asked.readme)
            for seen in PDFS:
                if not wanted or seen.name in wanted:
                    print_out(made, seen, folder, small=asked.readme)
    finally:
        teardown_databases(before, verbosity=0)


def photograph(made: "Stage", seen: "Seen", folder: Path, *, small: bool) -> None:
    """One page at both sizes and in both themes; for the README one size, one theme, the first screen."""
    from tests.browser.chromium import DESKTOP, TABLET

    page = made.tab(seen.role)
    for size, (width, height) in {"tablet": TABLET, "desktop": DESKTOP}.items():
        page.set_viewport_size({"width": width, "height": height})
        page.goto(seen.address())
        if seen.ready:
            seen.ready(page)
        page.evaluate("() => document.fonts.ready")
        if small:
            if size == ("tablet" if seen.patient or "therapist" in seen.name else "desktop"):
                page.evaluate("() => scrollTo(0, 0)")
                page.screenshot(path=folder / f"{seen.name}.png", scale="css")
            continue
        for theme in ("light", "dark"):
            page.emulate_media(color_scheme=theme)  # type: ignore[arg-type]  # one of the two it takes
            page.screenshot(path=folder / f"{seen.name}-{size}-{theme}.png", full_page=True)
    for trouble in made.troubles:
        sys.stderr.write(f"{seen.name}: {trouble}\n")
    made.troubles.clear()


def print_out(made: "Stage", seen: "Seen", folder: Path, *, small: bool) -> None:
    """Each page of a PDF."""
    answer = made.tab(seen.role).request.get(seen.address())
    with tempfile.TemporaryDirectory() as kept:
        paper = Path(kept) / "paper.pdf"
        paper.write_bytes(answer.body())
        resolution = "60" if small else "100"
        subprocess.run(["pdftoppm", "-r", resolution, "-png", str(paper), f"{kept}/page"], check=True)
        drawn = sorted(Path(kept).glob("page*.png"))
        for number, picture in enumerate(drawn[:1] if small else drawn, start=1):
            name = f"{seen.name}.png" if small else f"{seen.name}-page-{number}.png"
            shutil.copy(picture, folder / name)


if __name__ == "__main__":
    main()
