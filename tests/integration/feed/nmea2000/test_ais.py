# SPDX-License-Identifier: GPL-3.0-or-later
"""A feed that runs passes every ship's report on."""

import pyais

from tests.support.feed.ais_groups import SHIP, class_a, static
from tests.support.feed.can_groups import Say, play
from tests.support.feed.rig import Bench, Tablet, until


def test_every_ships_report_goes_through_and_long_ones_whole(bench: Bench) -> None:
    async def story(say: Say, tablet: Tablet) -> None:
        for number in range(20):
            await say(129038, class_a(ship=SHIP + number), 1)
        await say(129794, static(), 1)
        await until(lambda: tablet.look().count(b"!AIVDM,2,2") == 1)
        lines = tablet.seen.split()
        assert len(lines) == 22
        ships = {pyais.decode(line).mmsi for line in lines[:20]}
        assert ships == {SHIP + number for number in range(20)}
        assert pyais.decode(*lines[20:]).shipname == "NORTHERN HOPPER"

    play(bench, {"VDM": 1, "VDO": 1}, story)
