# SPDX-License-Identifier: GPL-3.0-or-later
"""Texts of a report have the contrast that WCAG 2.2 asks for, by day, by night and on paper."""

from __future__ import annotations

import re

import pytest

from provision.report.html import FOLDER

#: WCAG 2.2, 1.4.3 (AA) for text, 1.4.11 for what is drawn.
MIN_TEXT, MIN_DRAWN = 4.5, 3.0

STYLE = (FOLDER / "page.css").read_text()

TEXTS = [
    ("ink", "paper"),
    ("soft", "paper"),
    ("ink", "tint"),
    ("soft", "tint"),
    ("on-alarm", "alarm"),
]
DRAWN = [("alarm", "paper"), ("ink", "paper"), ("soft", "paper")]


def schemes() -> dict[str, dict[str, str]]:
    """Return the colours by name of each scheme: each :root of the style, in its order."""
    found = re.findall(r":root \{(.*?)\}", STYLE, re.DOTALL)
    day, night, paper = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", one)) for one in found)
    return {"day": day, "night": night, "paper": paper}


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (WCAG 2.2, definitions)."""
    shares = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return sum(part * weight for part, weight in zip(linear, (0.2126, 0.7152, 0.0722), strict=True))


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_sum_is_the_standards() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("scheme", ["day", "night", "paper"])
@pytest.mark.parametrize(("text", "ground"), TEXTS)
def test_texts_can_be_read(scheme: str, text: str, ground: str) -> None:
    colours = schemes()[scheme]
    assert contrast(colours[text], colours[ground]) >= MIN_TEXT


@pytest.mark.parametrize("scheme", ["day", "night"])
@pytest.mark.parametrize(("drawn", "ground"), DRAWN)
def test_what_is_drawn_can_be_seen(scheme: str, drawn: str, ground: str) -> None:
    colours = schemes()[scheme]
    assert contrast(colours[drawn], colours[ground]) >= MIN_DRAWN


def test_no_colour_is_outside_the_schemes() -> None:
    rest = re.sub(r":root \{.*?\}", "", STYLE, flags=re.DOTALL)
    assert re.findall(r"#[0-9a-f]{3,8}\b", rest) == []
    assert not re.search(r"\b(rgb|hsl|opacity)\b", rest)
