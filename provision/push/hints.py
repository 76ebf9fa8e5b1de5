# SPDX-License-Identifier: GPL-3.0-or-later
"""Say once what to try about several boats that do not answer."""

from __future__ import annotations

from collections.abc import Sequence

#: The hint for several boats, in place of one for each of them.
SEVERAL_AWAY = (
    "Are they switched on, and is this laptop on their Wi-Fi or wired port? If one has another "
    "address now, say which: --at BOAT=ADDRESS"
)


def share_unreachable_hint(away: Sequence[str], hint: str) -> str:
    """Return the hint about a boat of `away`, which do not answer: its own if it is alone."""
    return SEVERAL_AWAY if len(away) > 1 else hint
