# SPDX-License-Identifier: GPL-3.0-or-later
"""A running boat is surveyed over SSH, on the bench: no link is disturbed, each comes back."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from provision.bench.bench import Bench
from provision.bench.hull.schema import Hull
from provision.boards import board
from tests.support.boats import PROCESSORS, Club, Virtual
from tests.system.faults.fault import until
from tests.system.feed_clients import reading

#: The depth sounder's baud rate is not the profile's, and the wind instrument is no link yet.
HULL = Hull.model_validate(
    {
        "boat": "kittiwake",
        "adapters": {
            name: {"serial": serial, "instruments": [instrument]}
            for name, serial, instrument in (
                ("gnss", "KW-GNSS-01", {"talks": ["RMC", "GGA", "VTG"]}),
                ("depth-log", "KW-DPTH-02", {"baud": 9600, "talks": {"DPT": 2, "VHW": 1}}),
                ("ais", "KW-AISR-03", {"baud": 38400, "talks": ["VDM"]}),
                ("autopilot", "KW-PLOT-04", {"talks": {"HDG": 10}}),
                ("wind", "KW-WIND-05", {"talks": {"MWV": 2}}),
            )
        },
    }
)


@pytest.fixture(scope="module")
def boat(club: Club) -> Iterator[Virtual]:
    opened = club.open_boat("kittiwake")
    kind = board(opened.boat.profile.board)
    card = club.card("kittiwake")
    with Bench(
        *(opened.boat.profile, opened.secrets, kind, card), hull=HULL, processors=PROCESSORS
    ) as bench:
        bench.wait_for_ssh()
        yield Virtual(club, bench)


def survey(boat: Virtual, *words: str) -> dict[str, dict[str, Any]]:
    """The ports by link, and by serial number where there is no link."""
    command = [sys.executable, "-m", "provision", "survey", "kittiwake", *words, "--json"]
    where = ["--boats", str(boat.club.folder), "--at", f"kittiwake={boat.endpoint}"]
    done = subprocess.run([*command, *where], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr + done.stdout
    return {port["link"] or port["serial"]: port for port in json.loads(done.stdout)["ports"]}


def seconds_of_fixes(lines: list[tuple[float, bytes]]) -> list[int]:
    """The seconds of the day of all RMC, in the order of their coming."""
    times = [line.split(b",")[1] for _, line in lines if line[3:6] == b"RMC"]
    return [int(at[:2]) * 3600 + int(at[2:4]) * 60 + int(at[4:6]) for at in times]


def test_links_are_left_alone(boat: Virtual) -> None:
    boat.settle()
    before = boat.feed()["links"]
    with reading(boat) as lines:
        found = survey(boat)
    after = boat.feed()["links"]
    assert (found["KW-WIND-05"]["baud"], found["KW-WIND-05"]["looks_like"]) == (
        *(4800, "wind instrument"),
    )
    assert {name: found[name]["feed"] for name in before} == {
        "gnss": "heard",
        "depth-log": "garbled",
        "ais": "heard",
        "autopilot": "heard",
    }
    for name in ("gnss", "ais", "autopilot"):
        assert after[name]["opened"] == before[name]["opened"]
        assert after[name]["errors"] == before[name]["errors"]
    fixes = seconds_of_fixes(lines)
    assert len(fixes) >= 5
    assert all(later - earlier in (0, 1) for earlier, later in itertools.pairwise(fixes))


def test_all_finds_the_wrong_baud_rate_and_gives_each_link_back(boat: Virtual) -> None:
    opened = {name: link["opened"] for name, link in boat.feed()["links"].items()}
    found = survey(boat, "--all", "--yes")
    assert (found["depth-log"]["baud"], found["depth-log"]["looks_like"]) == (
        *(9600, "echo sounder and log"),
    )
    assert (found["gnss"]["baud"], found["ais"]["baud"]) == (4800, 38400)
    until(
        lambda: all(link["present"] for link in boat.feed()["links"].values()),
        "the feed has all links back",
    )
    links = boat.feed()["links"]
    assert {name: link["opened"] for name, link in links.items()} == {
        name: times + 1 for name, times in opened.items()
    }
    # No file of the survey is aboard.
    assert boat.ask("find / -xdev -name '*survey*' -newer /run/boat/settings.json").strip() == ""
