# SPDX-License-Identifier: GPL-3.0-or-later
"""The room for charts on the card, beside the log."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.checks.storage import card, charts
from provision.onboard.watch.memory.files import CAP_BYTES
from provision.render.charts import reserve_bytes
from tests.support.render_rig import profile
from tests.unit.checks import pilot_boat

#: What a card of 16 GB has for log and charts, in GB, rounded down.
ROOM_GB = card.max_log_bytes(16 * 10**9) // 10**8 / 10


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ("charts: {}", []),
        (f"charts: {{cap: {ROOM_GB} GB}}", []),
        (f"charts: {{cap: {ROOM_GB + 0.1:.1f} GB}}", [("error", "charts-cap")]),
        (f"charts: {{cap: {ROOM_GB - 2.2:.1f} GB}}\nlog: {{cap: 2 GB}}", []),
        (f"charts: {{cap: {ROOM_GB - 1.9:.1f} GB}}\nlog: {{cap: 2 GB}}", [("error", "charts-cap")]),
        ("charts: {cap: 40 GB}\ncard: {size: 64 GB}", []),
    ],
)
def test_charts_fit_beside_the_log(
    tmp_path: Path, keys: str, expected: list[tuple[str, str]]
) -> None:
    assert pilot_boat.found(tmp_path, ("access:", f"{keys}\naccess:")) == expected


def test_the_boat_keeps_to_the_same_sum() -> None:
    """What check lets pass is what the boat gives charts, whatever the log takes."""
    made = profile(charts={}, log={"cap": "3 GB"})
    room = card.max_log_bytes(made.card.size) + card.MIN_FREE_BYTES - reserve_bytes(made)
    assert charts.max_charts_bytes(made) == room
    assert reserve_bytes(made) > 3 * 10**9 + CAP_BYTES
