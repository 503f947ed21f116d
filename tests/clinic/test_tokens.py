"""The one tokens file: nothing else names a colour, and each pair that meets on a page has enough contrast."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOKENS = (ROOT / "clinic/static/clinic/tokens.css").read_text()
SHEETS = [
    path
    for folder in ("clinic/static", "screening/static", "therapy/static")
    for path in sorted((ROOT / folder).rglob("*.css"))
    if path.name != "tokens.css"
]
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
COLOUR = re.compile(
    r"#(?:[0-9a-fA-F]{3,4}){1,2}\b|\b(?:rgb|rgba|hsl|hsla|hwb|lab|lch|oklab|oklch|color)\(|"
    r":\s*(?:white|black|red|green|blue|yellow|orange|gr[ae]y|purple|teal|navy)\b"
)


def tokens_of(block: str) -> dict[str, str]:
    return dict(re.findall(r"(--[\w-]+):\s*(#[0-9a-f]{6})", block))


LIGHT = tokens_of(TOKENS.split("@media")[0])
DARK = {**LIGHT, **tokens_of(TOKENS.split("prefers-color-scheme: dark")[1].split("/*")[0])}
CHOSEN_DARK = {**LIGHT, **tokens_of(TOKENS.split(':root[data-theme="dark"]')[1].split("@media print")[0])}


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 glossary."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2 glossary."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_published_ratios() -> None:
    """Okabe-Ito colours on white, as published with their contrast: standards table, black 21.0, blue 5.19."""
    assert round(contrast("#000000", "#ffffff"), 1) == 21.0
    assert round(contrast("#0072b2", "#ffffff"), 2) == 5.19
    assert round(contrast("#f0e442", "#ffffff"), 2) == 1.32


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_text_has_4_5_to_1_and_edges_and_series_3_to_1(theme: dict[str, str]) -> None:
    """WCAG 2.2, success criteria 1.4.3 and 1.4.11."""
    grounds = ("--page", "--surface", "--sunken", "--accent-soft", "--stop-soft", "--look-soft")
    for ground in grounds:
        assert contrast(theme["--text"], theme[ground]) >= 7, ground
        assert contrast(theme["--text-muted"], theme[ground]) >= 4.5, ground
        assert contrast(theme["--accent"], theme[ground]) >= 4.5, ground
        assert contrast(theme["--line-strong"], theme[ground]) >= 3, ground
    for tone in ("--stop", "--look"):
        for ground in ("--page", "--surface", "--sunken", f"{tone}-soft"):
            assert contrast(theme[tone], theme[ground]) >= 4.5, (tone, ground)
    assert contrast(theme["--accent-text"], theme["--accent"]) >= 4.5
    assert contrast(theme["--surface"], theme["--stop"]) >= 4.5
    for series in ("--series-1", "--series-2", "--series-3", "--series-4"):
        assert contrast(theme[series], theme["--surface"]) >= 3, series


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_the_focus_ring_shows_on_every_ground(theme: dict[str, str]) -> None:
    """WCAG 2.2, 2.4.7 and 1.4.11: the ring or its edge has 3:1 against whatever lies under it."""
    for ground in ("--page", "--surface", "--accent", "--sunken", "--stop"):
        ring = contrast(theme["--focus"], theme[ground])
        edge = contrast(theme["--focus-edge"], theme[ground])
        assert max(ring, edge) >= 3, ground
    assert contrast(theme["--focus"], theme["--focus-edge"]) >= 3


def test_the_dark_colours_are_the_same_whether_chosen_or_asked_for_by_the_device() -> None:
    assert DARK == CHOSEN_DARK
    assert DARK != LIGHT


def test_no_colour_is_named_outside_the_tokens_file() -> None:
    assert SHEETS
    assert TEMPLATES
    named = {}
    for path in (*SHEETS, *TEMPLATES):
        text = re.sub(r"/\*.*?\*/|\{#.*?#\}", "", path.read_text(), flags=re.DOTALL)
        text = re.sub(r'href="#[^"]*"|url\(#[^)]*\)|&#\d+;|&#x[0-9a-f]+;', "", text)
        named[str(path)] = COLOUR.findall(text)
    assert {path: colours for path, colours in named.items() if colours} == {}


def test_every_token_that_a_style_sheet_uses_is_defined() -> None:
    defined = set(re.findall(r"(--[\w-]+)\s*:", TOKENS + "".join(path.read_text() for path in SHEETS)))
    for path in SHEETS:
        used = set(re.findall(r"var\((--[\w-]+)", path.read_text()))
        assert used <= defined, path.name
