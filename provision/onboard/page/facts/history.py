# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask boat-watch what the boat remembers."""

from __future__ import annotations

from typing import Any

from provision.onboard.feed.report.state_client import ask

#: Seconds that an answer may take: boat-watch sorts a month anew after each sample.
HISTORY_TIMEOUT_S = 5.0


async def ask_history(path: str) -> dict[str, Any] | None:
    """Return the answer of boat-watch, whose socket is at `path`. None when there is none."""
    return await ask(path, ("day", "month"), HISTORY_TIMEOUT_S)
