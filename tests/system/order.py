# SPDX-License-Identifier: GPL-3.0-or-later
"""Begin with the files that take longest, so that two processes end at about the same time."""

from __future__ import annotations

from pathlib import Path

import pytest

#: From ten minutes down to three, on two cores that two emulators share.
LONGEST = (
    "test_every_proof_can_fail",
    "test_boards",
    "test_rotation",
    "test_boot",
    "test_hull",
    "test_page",
    "test_power_cuts",
    "test_feed",
    "test_who_steers",
    "test_push",
    "test_degraded",
    "test_adapters",
    "test_card",
    "test_revoked",
    "test_bench",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Sort by file. A file that is not named comes last. The order inside of a file stays."""
    places = {name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: places.get(Path(item.path).stem, len(places)))
