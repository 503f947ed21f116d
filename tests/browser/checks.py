"""What is measured on a page in the browser: reach, size, focus, words."""

import re
from typing import Any

from playwright.sync_api import Page

# The Joint Commission "Do not use" list and ISMP's error-prone abbreviations: units and frequencies that are
# misread, comparison signs read as digits, and dates in figures alone (NHS Common User Interface: DD-Mmm-YYYY).
MISREAD = {
    "cc for mL": r"\d\s?cc\b",
    "micro sign": r"[\u00b5\u03bc]",
    "daily in Latin": r"\b(?:QD|QOD|QID|TID|BID|qd|qid|q\.d\.|OD|HS|D/C)\b",
    "international units": r"\bI\.?U\.?\b",
    "less or more sign before a digit": r"[<>\u2264\u2265]\s?\d",
    "date in figures": r"\b\d{1,2}[/.]\d{1,2}[/.](?:19|20)\d\d\b|\b(?:19|20)\d\d-\d\d-\d\d\b",
    "trailing zero on a prescribed whole": r"\b(?:setting|target) \d+\.0\b",
    "no leading zero": r"(?:^|[\s(])\.\d",
    "a question mark for unknown": r"(?:^|\s)\?(?:\s|$)",
    "a value that is none": r"(?:: |^|\t)(?:None|nan|NaN|undefined)(?:$|[\t,.])",
}


def misread_words(text: str) -> list[str]:
    """What a scan of rendered text finds, each with its surroundings."""
    found = []
    for what, pattern in MISREAD.items():
        for match in re.finditer(pattern, text):
            around = text[max(0, match.start() - 25) : match.end() + 25].replace("\n", " ")
            found.append(f"{what}: ...{around}...")
    return found


def text_of(page: Page) -> str:
    """The words a person sees on the page; file names and typed input are theirs."""
    return str(page.evaluate("() => document.body.innerText"))


def sideways(page: Page) -> list[str]:
    """What makes the page scroll sideways; empty when nothing does (WCAG 2.2, 1.4.10)."""
    found: list[str] = page.evaluate(
        """() => {
          if (document.documentElement.scrollWidth <= innerWidth) return [];
          const inScroller = e => { for (let p = e.parentElement; p; p = p.parentElement)
            if (getComputedStyle(p).overflowX !== 'visible') return true; return false; };
          const wide = [...document.body.querySelectorAll('*')]
            .filter(e => e.getBoundingClientRect().right > innerWidth + 0.5 && !inScroller(e))
            .slice(-3).map(e => e.outerHTML.slice(0, 160));
          // What is placed absolutely within a scroller may still widen the page.
          return wide.length ? wide : [`the page is ${document.documentElement.scrollWidth} px wide`];
        }"""
    )
    return found


def small_targets(page: Page, least: int) -> list[str]:
    """Bedside controls (buttons, choices, boxes) under the least size (WCAG 2.2, 2.5.5 asks 44)."""
    found: list[str] = page.evaluate(
        """least => [...document.querySelectorAll(['.button:not(.compact)', 'button:not(.link, .compact)',
            '.choice', 'select', 'input:not([type=hidden], [type=checkbox], [type=radio], [type=file])'
            ].map(s => `main ${s}`).join())]
          .filter(e => e.checkVisibility())
          .filter(e => { const box = e.getBoundingClientRect(); return box.width < least || box.height < least; })
          .slice(0, 5).map(e => { const box = e.getBoundingClientRect();
            return `${Math.round(box.width)} x ${Math.round(box.height)}: ${e.outerHTML.slice(0, 120)}`; })""",
        least,
    )
    return found


def hidden_focus(page: Page, presses: int = 60) -> list[str]:
    """Walk with the Tab key: what takes the focus and is not in sight (WCAG 2.2, 2.4.7 and 2.4.11)."""
    page.evaluate("() => { document.activeElement?.blur(); scrollTo(0, 0); }")
    found: list[str] = []
    for _ in range(presses):
        page.keyboard.press("Tab")
        seen: dict[str, Any] | None = page.evaluate(
            """() => {
              const e = document.activeElement;
              if (!e || e === document.body) return null;
              const box = e.getBoundingClientRect();
              const x = Math.min(Math.max(box.left + box.width / 2, 0), innerWidth - 1);
              const spots = [0.5, 0.1, 0.9].map(part => box.top + box.height * part);
              const owns = y => { const at = document.elementFromPoint(x, y);
                return !!at && (e === at || e.contains(at) || at.contains(e) || at.closest('label')?.control === e); };
              return {seen: spots.some(owns), html: e.outerHTML.slice(0, 160)};
            }"""
        )
        if seen is None:
            break
        if not seen["seen"]:
            found.append(seen["html"])
    return found


def wordless_signs(page: Page) -> list[str]:
    """Signs and warnings that say nothing without their colour (WCAG 2.2, 1.4.1)."""
    found: list[str] = page.evaluate(
        """() => [...document.querySelectorAll('.sign, .note, .look-text, .stop-text')]
          .filter(e => !e.textContent.trim()).map(e => e.outerHTML.slice(0, 120))"""
    )
    return found


def banners(page: Page) -> int:
    """How many patient banners are on the page."""
    return page.locator("section.patient").count()
