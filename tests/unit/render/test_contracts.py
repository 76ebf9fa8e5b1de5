# SPDX-License-Identifier: GPL-3.0-or-later
"""The programs aboard read what is rendered."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.onboard.feed.config import parse
from provision.onboard.settings.archive import manifest
from provision.onboard.settings.archive import read as archive
from tests.support.render_rig import BOATS, Render, text


@pytest.mark.parametrize("boat", BOATS)
def test_boat_settings_reads_the_archive(rendered: Render, boat: str) -> None:
    settings = rendered(**BOATS[boat])
    read = archive.read(settings.archive, settings.sha256)
    assert read.manifest.boat == "kittiwake"
    assert read.manifest.files.keys() | {"/etc/boat/manifest.json"} == settings.files.keys()
    assert len(read.manifest.reload) == len(
        manifest.parse(text(settings, "/etc/boat/manifest.json").encode()).reload
    )
    assert read.wants == {path.rpartition("/")[2] for path in settings.files if ".wants/" in path}


def test_boat_feed_reads_its_configuration(tree: Callable[..., Path]) -> None:
    read = parse.load(tree() / "etc/boat/feed.json")
    assert {link.name: (link.device, link.baud, dict(link.talks)) for link in read.links} == {
        "gnss": ("/dev/boat/gnss", 4800, {"RMC": 1.0, "GGA": 1.0}),
        "depth": ("/dev/boat/depth", 4800, {"DPT": 2.0}),
    }
    assert read.outputs.tcp is not None and read.outputs.tcp.port == 10110
    assert [(udp.address, udp.port) for udp in read.outputs.udp] == [("10.47.1.255", 10110)]
    assert read.clock is not None and read.clock.links == ("gnss",)


def test_boat_feed_reads_a_boat_without_broadcast(tree: Callable[..., Path]) -> None:
    read = parse.load(tree(**BOATS["full"]) / "etc/boat/feed.json")
    assert read.outputs.tcp is not None and read.outputs.tcp.port == 20220
    assert read.outputs.udp == ()
    assert read.clock is not None and read.clock.links == ("gnss",)


def test_a_boat_that_hears_no_date_gets_no_clock(tree: Callable[..., Path]) -> None:
    links = {"depth": {"adapter": {"serial": "KW-DPTH-02"}, "talks": ["DPT"]}}
    assert parse.load(tree(links=links) / "etc/boat/feed.json").clock is None


def test_the_feed_aboard_is_whole(tree: Callable[..., Path]) -> None:
    """The feed starts from the archive alone, with nothing of this checkout in reach."""
    done = subprocess.run(
        [sys.executable, "-P", "-m", "provision.onboard.feed", "--help"],
        env={"PYTHONPATH": str(tree() / "usr/lib/boat"), "PYTHONDONTWRITEBYTECODE": "1"},
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "--state" in done.stdout
