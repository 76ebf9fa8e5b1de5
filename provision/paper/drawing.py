# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw cables, arrows and the ruler as SVG, in black alone.

A drawing has no size of its own: the style sheet gives the em that it fills.
"""

from __future__ import annotations

from typing import Literal

from markupsafe import Markup

#: A cable's strokes. Dashes mean: leave it in this socket.
_STROKES = {"loose": "", "fixed": ' stroke-dasharray="5 3.5"'}

_HEADS = {"in": "M0 5 9 1V9Z", "out": "M40 5 31 1V9Z"}

#: The ruler's length in mm.
RULER_MM = 100


def draw_cable(kind: Literal["loose", "fixed", "air"]) -> Markup:
    """Draw the way from the computer to a plug: a cable, or waves where there is none."""
    if kind == "air":
        waves = "".join(f'<path d="M{x} 1.5q3 3.5 0 7"/>' for x in (10, 16, 22, 28))
        body = f'<g fill="none" stroke="#000" stroke-width="1.1">{waves}</g>'
    else:
        body = f'<path d="M0 5H40" stroke="#000" stroke-width="1.6"{_STROKES[kind]}/>'
    return _svg("cable", 40, 10, body)


def draw_arrow(way: Literal["in", "out", "both"]) -> Markup:
    """Draw a line whose heads point at the listeners: `in` is the computer, at the left."""
    ways = ("in", "out") if way == "both" else (way,)
    heads = "".join(f'<path d="{_HEADS[one]}"/>' for one in ways)
    begin, end = (5 if "in" in ways else 0), (35 if "out" in ways else 40)
    body = f'{heads}<path d="M{begin} 5H{end}" stroke="#000" stroke-width="1.2"/>'
    return _svg("arrow", 40, 10, body)


def draw_ruler() -> Markup:
    """Draw a ruler of `RULER_MM`, to check the scale of a print. A unit of its box is 1 mm."""
    marks = []
    for mm in range(0, RULER_MM + 1):
        height = 3.4 if mm % 10 == 0 else 2.2 if mm % 5 == 0 else 1.3
        marks.append(f"M{mm + 2} 0v{height}")
    numbers = "".join(
        f'<text x="{mm + 2}" y="6.4">{mm}</text>' for mm in range(0, RULER_MM + 1, 10)
    )
    body = (
        f'<path d="M2 0H{RULER_MM + 2}{"".join(marks)}" fill="none" stroke="#000" '
        f'stroke-width=".2"/><g font-size="2.6" text-anchor="middle">{numbers}</g>'
    )
    return _svg("ruler", RULER_MM + 4, 7, body)


def _svg(name: str, width: int, height: int, body: str) -> Markup:
    return Markup(  # noqa: S704 - numbers and constants of this file
        f'<svg class="{name}" viewBox="0 0 {width} {height}" aria-hidden="true">{body}</svg>'
    )
