# SPDX-License-Identifier: GPL-3.0-or-later
"""A hostapd to ask."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.feed.hostapd_double import HostapdDouble


@pytest.fixture
def hostapd(tmp_path: Path) -> Iterator[HostapdDouble]:
    double = HostapdDouble(tmp_path / "wlan0")
    yield double
    double.stop()
