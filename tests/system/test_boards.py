# SPDX-License-Identifier: GPL-3.0-or-later
"""The other boards' own cards: each boots in the bench, and proves itself there.

bcm2837-rpi-3-b runs on the emulated board; bcm2711-rpi-4-b's kernel and initramfs run on a
generic arm64 machine. What their firmware would read is taken out of the card.
"""

from __future__ import annotations

import json

import pytest

from tests.support.boats import Club

#: Set once a driver was loaded that the kernel's own developers do not think finished
#: (tainted-kernels in the kernel's documentation, from memory): one such took an arm64 board
#: down in the middle of starting.
STAGING = 1 << 10


@pytest.mark.parametrize(("name", "restarts"), [("turnstone", True), ("dunlin", False)])
def test_a_board_boots_from_its_card(club: Club, name: str, restarts: bool) -> None:
    """The kept settings, a tablet on the air, every proof passed.

    The emulated board starts once more from the card that it has grown. Both run the same base.
    """
    with club.launch(name) as boat:
        chosen = json.loads(boat.ask("cat /run/boat/settings.json"))
        assert (chosen["choice"], chosen["degraded"]) == ("kept", False)
        assert boat.bench.join()["address"]
        assert len(boat.bench.read(seconds=60, lines=20)["lines"]) >= 20
        assert not int(boat.ask("cat /proc/sys/kernel/tainted")) & STAGING
        boat.settle()
        proof = boat.verify()
        assert proof.passed, proof.summary()
        if restarts:
            boat.power_cycle()
            assert json.loads(boat.ask("cat /run/boat/settings.json"))["choice"] == "kept"
