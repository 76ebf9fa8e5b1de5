# SPDX-License-Identifier: GPL-3.0-or-later
"""chrony itself beside a feed that tells it the time."""

import asyncio
import subprocess
import time

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import make
from tests.support import programs
from tests.support.feed.chrony_socket import Chrony, rmc
from tests.support.feed.rig import Bench, until


def test_chrony_itself_takes_the_samples(bench: Bench, chrony: Chrony) -> None:
    chrony.path.unlink()
    folder = bench.folder
    (folder / "chrony.conf").write_text(
        f"refclock SOCK {chrony.path} refid GNSS poll 0 delay 0.2\n"
        f"cmdport 0\nport 0\nbindcmdaddress {folder}/command.sock\npidfile {folder}/chrony.pid\n"
    )
    # -x leaves the system's clock alone.
    daemon = subprocess.Popen(
        [
            *programs.command("sbin/chronyd"),
            "-x",
            "-d",
            "-d",
            "-u",
            "root",
            "-f",
            str(folder / "chrony.conf"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:

        async def run(feed: Feed) -> None:
            await until(chrony.path.exists)
            for _ in range(15):
                text = make(rmc(time.time() + 500.0), origin="x", heard=0).raw
                bench.instruments["gnss"].say(text)
                await asyncio.sleep(0.1)
            assert feed.clock is not None and feed.clock.samples >= 10

        bench.settings["clock"]["not_before"] = time.time() - 86400
        bench.run(run)
        answer = subprocess.run(
            [*programs.command("bin/chronyc"), "-h", str(folder / "command.sock"), "-c", "sources"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
    finally:
        daemon.terminate()
        daemon.wait(10)
    mode, state, name, _, _, reach, *_ = answer.split(",")
    assert (mode, name) == ("#", "GNSS")
    assert int(reach) > 0 and state in "*?"
    offset = float(answer.split(",")[8])
    # Ahead by 500 s; the sign is chrony's: source less system.
    assert abs(offset) == pytest.approx(500, abs=0.5)
