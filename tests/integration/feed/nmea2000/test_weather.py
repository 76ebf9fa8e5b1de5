# SPDX-License-Identifier: GPL-3.0-or-later
"""A feed that runs believes one device for each temperature."""

from tests.support.feed.can_groups import Say, play
from tests.support.feed.rig import Bench, Tablet, until
from tests.support.feed.weather_groups import CABIN, OUTSIDE, SEA, surroundings, temperature


def test_devices_share_out_temperatures_and_pressure(bench: Bench) -> None:
    """Three devices send the sea's temperature, the air's, and the pressure."""

    async def story(say: Say, tablet: Tablet) -> None:
        await say(130312, temperature(SEA, 28815), 1)
        await say(130312, temperature(OUTSIDE, 29165), 2)
        await say(130311, surroundings(CABIN, 29315, 1013), 3)
        # A second device with the sea's temperature is not believed beside the first.
        await say(130311, surroundings(SEA, 28315, 0xFFFF), 4)
        await say(130312, temperature(SEA, 28815), 1)
        await until(lambda: tablet.look().count(b"MTW") == 2)
        lines = [line.partition("*")[0] for line in tablet.seen.decode().split()]
        assert lines == [
            "$IIMTW,15.0,C", "$IIXDR,C,18.5,C,AIR", "$IIXDR,P,101300,P,AIR", "$IIMTW,15.0,C",
        ]  # fmt: skip

    play(bench, {"MTW": 1000, "XDR": 1}, story)
