# SPDX-License-Identifier: GPL-3.0-or-later
"""Show what the boat remembers of itself as small plots, each with a text that says the same."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import Any

from provision.onboard.page.view.text import clean
from provision.onboard.watch.answer.plots import Plot, Values, make_plots

#: The height of a plot's box. Its width is one for each bin.
HEIGHT = 20

_PERIODS = {"day": "Last 24 hours", "month": "Last 30 days"}

_KEPT = {
    "card": "Kept on the card: a power cut loses the last hour at most.",
    "memory": "Kept in memory alone, since the boat's profile has no log: it begins when the "
    "computer is switched on.",
    "failing": "The card takes nothing at the moment: it is kept in memory alone.",
}


def describe_history(answer: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return the history in plain data. `answer` is boat-watch's, None without one."""
    if answer is None:
        return {"text": "What the boat remembers is not known.", "concerns": [], "periods": []}
    unsure = "" if answer["clock"] == "sure" else " The clock is not sure, so dates may be wrong."
    return {
        "text": _KEPT.get(answer["kept"], "") + unsure,
        "concerns": [_concern(one) for one in answer["concerns"]],
        "periods": [_describe(title, answer[name]) for name, title in _PERIODS.items()],
    }


def _concern(concern: Mapping[str, str]) -> dict[str, str]:
    return {name: _sentence(clean(concern[name], 160)) for name in ("text", "action")}


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _describe(title: str, period: Mapping[str, Any]) -> dict[str, Any]:
    plots = [_draw(plot) for plot in make_plots(period)]
    return {"name": title, "bins": len(period["minutes"]), "plots": plots}


def _draw(plot: Plot) -> dict[str, Any]:
    return {
        "name": clean(plot.name),
        "text": clean(plot.text, 160),
        "drawn": draw_bars(plot.values),
        "on": draw_line(plot.values),
    }


def draw_bars(values: Values) -> str:
    """Return SVG path data of a bar for each value, from 0 to 1. Bars side by side are one.

    >>> draw_bars([0.0, 1.0, 1.0, None])
    'M1 20v-20h2v20z'
    """
    heights = [0 if not value else max(2, round(value * HEIGHT)) for value in values]
    return "".join(
        f"M{start} {HEIGHT}v-{height}h{length}v{height}z"
        for start, length, height in _runs(heights)
        if height
    )


def draw_line(values: Values) -> str:
    """Return SVG path data of a base line where there are values.

    >>> draw_line([None, 0.5, 0.0])
    'M1 19h2v1h-2z'
    """
    return "".join(
        f"M{start} {HEIGHT - 1}h{length}v1h-{length}z"
        for start, length, known in _runs([int(value is not None) for value in values])
        if known
    )


def _runs(numbers: list[int]) -> list[tuple[int, int, int]]:
    """Return where each run of equal numbers starts, its length, and its number."""
    found, start = [], 0
    for number, run in groupby(numbers):
        length = len(list(run))
        found.append((start, length, number))
        start += length
    return found
