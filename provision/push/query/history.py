# SPDX-License-Identifier: GPL-3.0-or-later
"""Read what a boat remembers of itself, for the state of a fleet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from provision.bounded import read_json
from provision.onboard.watch.answer.plots import Plot, make_plots
from provision.push.query.status_shape import fits

#: The format that this program reads (provision/onboard/watch/answer/answer.py).
FORMAT = 1

#: Concerns of one boat, and characters of a concern's text or action, that are taken in.
MAX_CONCERNS, MAX_TEXT_CHARS = 50, 300

#: Bins and plots of a period that are taken in.
MAX_BINS, MAX_PLOTS = 1000, 250

_CONCERN = {"key": str, "text": str, "action": str}


def read_history(text: str) -> Mapping[str, Any] | None:
    """Read what `boat-watch` printed. None when it is not there, or not in a shape that we read."""
    try:
        found = read_json(text)
    except ValueError:
        return None
    shape = {"format": int, "concerns": list}
    if not fits(found, shape) or found["format"] != FORMAT:
        return None
    concerns = found["concerns"]
    if len(concerns) > MAX_CONCERNS or not all(fits(one, _CONCERN) for one in concerns):
        return None
    return dict(found)


def describe_concerns(history: Mapping[str, Any] | None) -> dict[str, tuple[str, str]]:
    """Map each concern as a sentence for the operator to its parts: what is wrong, what to do."""
    concerns = history["concerns"] if history else []
    parts = [(one["text"][:MAX_TEXT_CHARS], one["action"][:MAX_TEXT_CHARS]) for one in concerns]
    return {f"{text}: {action}": (text, action) for text, action in parts}


def plots_of(history: Mapping[str, Any] | None, period: str) -> Sequence[Plot] | None:
    """Return the plots of a period, day or month. None when the boat told nothing of it."""
    try:
        told = (history or {})[period]
        if len(told["minutes"]) > MAX_BINS:
            return None
        plots = make_plots(told)[:MAX_PLOTS]
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError):
        return None
    whole = all(len(plot.values) == len(told["minutes"]) for plot in plots)
    return plots if whole else None
