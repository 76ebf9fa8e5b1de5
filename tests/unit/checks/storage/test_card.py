# SPDX-License-Identifier: GPL-3.0-or-later
"""The size of the card, and the room for the log on it."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.card.layout.partitions import Layout
from provision.checks.storage import card
from tests.unit.checks import pilot_boat
from tests.unit.checks.tern import boat, found


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        (f"{(Layout('gpt', 'any').size - 1) // 10**8 / 10} GB", [("error", "card-size")]),
        ("8 GB", [("warning", "card-size")]),
        ("16 GB", []),
        ("0.5 TB", []),
    ],
)
def test_card_size(tmp_path: Path, size: str, expected: list[tuple[str, str]]) -> None:
    tern = boat(tmp_path, ("access:", f"card: {{size: {size}}}\naccess:"))
    assert found(tern) == expected


#: 16 GB, less what is before data, less a twentieth for the file system, less 64 MiB.
LOG_BYTES = int((16 * 10**9 - Layout("gpt", "any").data.offset) * 0.95) - 64 * 2**20


@pytest.mark.parametrize(
    ("cap", "expected"),
    [
        (f"{LOG_BYTES // 10**8 / 10} GB", []),
        (f"{LOG_BYTES // 10**8 / 10 + 0.1:.1f} GB", [("error", "log-cap")]),
        ("16 GB", [("error", "log-cap")]),
    ],
)
def test_the_log_fits_on_the_card(
    tmp_path: Path, cap: str, expected: list[tuple[str, str]]
) -> None:
    assert card.max_log_bytes(16 * 10**9) == LOG_BYTES
    assert pilot_boat.found(tmp_path, ("access:", f"log: {{cap: {cap}}}\naccess:")) == expected
