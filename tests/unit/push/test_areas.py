# SPDX-License-Identifier: GPL-3.0-or-later
"""A push says what it changes in words, before it changes it."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from provision.push.areas import describe_changes
from provision.push.console import progress
from provision.render import render
from tests.support.render_rig import SECRETS, boat


@pytest.mark.parametrize(
    ("paths", "words"),
    [
        (["/etc/hostapd/boat.conf"], "Wi-Fi (1 file)"),
        (["/etc/boat/watch.json"], "history (1 file)"),
        (["/etc/systemd/system/boat-watch.service"], "history (1 file)"),
        (
            ["/etc/chrony/chrony.conf", "/etc/hostapd/boat.conf", "/etc/hostapd/boat.psk"],
            "Wi-Fi, clock (3 files)",
        ),
        (
            ["/etc/boat/feed.json", "/etc/udev/rules.d/70-boat.rules", "/etc/hostname"],
            "links, adapters, name (3 files)",
        ),
        (["/etc/fstab"], "other (1 file)"),
        (["/etc/boat/manifest.json"], "1 file"),
    ],
)
def test_areas_by_files(paths: list[str], words: str) -> None:
    assert describe_changes(paths) == words


def test_every_file_of_a_boat_has_an_area_of_its_own(tmp_path: Path) -> None:
    manifest: dict[str, Any] = dict(render(boat(tmp_path), SECRETS).manifest)
    files = list(manifest["files"])
    assert "/etc/boat/feed.json" in files
    assert [path for path in files if "other" in describe_changes([path])] == []


def test_it_is_said_before_the_trial_and_once() -> None:
    shown = io.StringIO()
    said = {"outcome": "", "changed": ["/etc/hostapd/boat.conf"]}
    with progress(["gull"], Console(file=shown, width=80)) as listen:
        listen({"event": "step", "boat": "gull", "step": "preflight"})
        listen({"event": "stats", "boat": "gull", "data": said})
        listen({"event": "step", "boat": "gull", "step": "trial"})
        listen({"event": "stats", "boat": "gull", "data": {"outcome": "kept"}})
    assert shown.getvalue().splitlines() == [
        "gull: looking",
        "gull: changes Wi-Fi (1 file)",
        "gull: trying",
        "gull: kept",
    ]
