# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat with a broken card still feeds its instruments and says what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from provision.card.layout.partitions import Layout
from provision.commands import run
from tests.support.boats import Club, Virtual

Launch = Callable[..., Virtual]


@pytest.fixture
def wiped(club: Club, tmp_path: Path) -> Path:
    """Give a copy of kittiwake's card with zeros for its data partition."""
    image = tmp_path / "wiped.img"
    run("cp", "--sparse=always", club.card("kittiwake"), image)
    data = Layout("gpt", club.open_boat("kittiwake").render().sha256).data
    with image.open("r+b") as card:
        card.seek(data.offset)
        card.write(bytes(data.size))
    return image


def test_without_data_the_boat_still_feeds(club: Club, launch: Launch, wiped: Path) -> None:
    """A wiped data partition: the settings as built, degraded, and the tablet hears all."""
    boat = launch("kittiwake", wiped)
    said = boat.chosen()
    assert (said["choice"], said["degraded"], said["data"]) == ("built", True, "unreadable")
    boat.bench.join()
    heard = boat.bench.read(seconds=20, lines=20)["lines"]
    assert len(heard) >= 20
    assert boat.status()["degraded"] is True


def test_damaged_settings_are_not_used(club: Club, launch: Launch, tmp_path: Path) -> None:
    """Both archives are damaged. That only one is, test_revoked shows."""
    boat = launch("kittiwake")
    changed = club.copy(tmp_path / "club")
    profile = changed.folder / "kittiwake.yml"
    profile.write_text(profile.read_text().replace("DPT: 2", "DPT: 1"))
    before = boat.status()["kept"]
    assert boat.push(changed, prove=False).succeeded
    after = boat.status()["kept"]
    assert before != after
    for digest in (before, after):
        boat.ask(f"echo damage >> /data/settings/{digest}.tar; sync")
    boat.power_cycle()
    said = boat.chosen()
    assert (said["choice"], said["sha256"], said["degraded"]) == ("built", before, True)
    assert "the kept settings are damaged" in str(said["reason"])
    assert "the previous settings are damaged" in str(said["reason"])
