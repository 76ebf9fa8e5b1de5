# SPDX-License-Identifier: GPL-3.0-or-later
"""A booted boat with a few settings, and settings to put on trial."""

from __future__ import annotations

from pathlib import Path

import pytest
from settings_boat import WANTS, Boat, Tree, pack

from provision.onboard.settings.trial import Request

OLD: Tree = {
    "/etc/hostname": (0o644, b"kittiwake\n"),
    "/etc/hostapd/wlan0.conf": (0o600, b"ssid=Kittiwake\n"),
    "/etc/nftables.conf": (0o644, b"flush ruleset\n"),
    "/etc/boat/feed.json": (0o644, b"{}"),
    "/etc/systemd/system/boat-feed.service": (0o644, b"[Service]\nExecStart=/usr/bin/boat-feed\n"),
    WANTS + "boat-feed.service": "/etc/systemd/system/boat-feed.service",
    WANTS + "old.service": "/usr/lib/systemd/system/old.service",
}

NEW: Tree = {
    "/etc/hostname": (0o644, b"kittiwake\n"),
    "/etc/hostapd/wlan0.conf": (0o600, b"ssid=Renamed\n"),
    "/etc/nftables.conf": (0o640, b"flush ruleset\n"),
    "/etc/boat/feed.json": (0o644, b"{}"),
    "/etc/boat/extra/deep/file": (0o400, b"x"),
    "/etc/systemd/system/boat-feed.service": (0o644, b"[Service]\nExecStart=/usr/bin/boat-feed\n"),
    WANTS + "boat-feed.service": "/etc/systemd/system/boat-feed.service",
    WANTS + "new.service": "/usr/lib/systemd/system/new.service",
}


@pytest.fixture
def boat(tmp_path: Path) -> Boat:
    """On its kept settings, OLD."""
    return Boat.booted(tmp_path / "boat", *pack(OLD))


def ask(data: bytes, digest: str, *, overwrite_drift: bool = False) -> Request:
    """A trial of a minute."""
    return Request(data, digest, 60, "ann@laptop", overwrite_drift)
