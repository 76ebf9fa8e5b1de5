# SPDX-License-Identifier: GPL-3.0-or-later
"""Read how a copy of charts is getting on, from the file that boat-charts writes.

`provision/onboard/charts/state.py` explains its keys.
"""

from __future__ import annotations

import json
import time
from contextlib import suppress
from typing import Any

PATH = "/run/boat-charts/state.json"

#: Octets of the file, at most, and its format.
MAX_BYTES, FORMAT = 65536, 1

_NUMBERS = ("at", "files", "of_files", "bytes", "of_bytes", "same", "left_out", "used", "needed")


def read_charts(path: str = PATH, now: float | None = None) -> dict[str, Any] | None:
    """Return the state, with its `age` in seconds. None before a stick was put in."""
    with suppress(OSError, ValueError, RecursionError, TypeError, KeyError):
        with open(path, "rb") as file:
            state = json.loads(file.read(MAX_BYTES))
        numbers = all(type(state[name]) in (int, float) for name in _NUMBERS)
        words = all(isinstance(state[name], str) for name in ("phase", "reason"))
        if state["format"] == FORMAT and numbers and words and _pairs(state["examples"]):
            seconds = time.clock_gettime(time.CLOCK_BOOTTIME) if now is None else now
            return {**state, "age": max(0.0, seconds - state["at"])}
    return None


def _pairs(examples: Any) -> bool:
    return all(isinstance(text, str) for pair in examples for text in pair) and all(
        len(pair) == 2 for pair in examples
    )
