# SPDX-License-Identifier: GPL-3.0-or-later
"""Read from the feed's state how its links are, if the feed has started again, and the clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provision.onboard.feed.source_status import status_of
from provision.onboard.watch.facts.config import LinkPromise
from provision.onboard.watch.facts.sample import UNKNOWN

#: Seconds by which the start of the feed may seem to move between two samples of the same run.
START_TOLERANCE_S = 5.0

#: Seconds after which a link that told the time no longer keeps the clock sure, and seconds by
#: which the clock may still differ from the link: chrony sets it some seconds after the first fix.
CLOCK_SURE_S, CLOCK_TOLERANCE_S = 120.0, 2.0

_LETTERS = {"heard": "h", "garbled": "g", "silent": "s", "absent": "a"}

State = Mapping[str, Any]


def link_letters(promises: Mapping[str, LinkPromise], state: State | None) -> dict[str, str]:
    """Return the letter of each link's state. A link that promises nothing has none."""
    return {name: _letter(name, promise, state) for name, promise in promises.items()}


def _letter(name: str, promise: LinkPromise, state: State | None) -> str:
    if state is None:
        return UNKNOWN
    heard = {**state["links"], **state["inputs"]}.get(name)
    return _LETTERS.get(status_of(promise, heard, state["running"]), UNKNOWN)


def clock_is_sure(state: State | None) -> bool:
    """Return whether an instrument tells the time, and the boat's clock says the same."""
    clock = (state or {}).get("clock") or {}
    ages, offset = clock.get("good", {}).values(), clock.get("offset")
    return (
        offset is not None
        and abs(offset) < CLOCK_TOLERANCE_S
        and min(ages, default=1e9) < (CLOCK_SURE_S)
    )


def readable(state: State | None) -> State | None:
    """Return the state of the feed, or None for one that does not say how long the feed runs."""
    running = state.get("running") if state else None
    return state if isinstance(running, int | float) else None


class FeedRuns:
    """Sees from one state of the feed to the next if the feed has started again."""

    def __init__(self) -> None:
        self._began: float | None = None

    def restarted(self, state: State | None, now: float) -> bool:
        """Return whether the feed that answered at `now` is another than the last one."""
        if state is None:
            return False
        before, self._began = self._began, now - float(state["running"])
        return before is not None and self._began - before > START_TOLERANCE_S
