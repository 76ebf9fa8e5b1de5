# SPDX-License-Identifier: GPL-3.0-or-later
"""All parts of the feed work at once, for any sentences."""

import asyncio
import random
import socket

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.kinds import KIND_OF, KINDS
from provision.onboard.feed.nmea0183.sentence import STEERS, frame
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS, group_of
from tests.support.feed.rig import GLL, Bench

_FIELD = st.one_of(
    st.sampled_from(["", "A", "V", "N", "T", "1", "0", "123519", "5057.970", "251126", "00", "-1"]),
    st.text("0123456789.-+AN", max_size=8),
)
_ADDRESS = st.sampled_from(
    ["$GP" + formatter for formatter in (*KIND_OF, *STEERS)]
    + ["!AIVDM", "!AIVDO", "$PXYZ", "$GP", "$P", "$ABC"]
)
_BODY = st.tuples(_ADDRESS, st.lists(_FIELD, max_size=12)).map(
    lambda parts: ",".join([parts[0], *parts[1]])
)


def everything(bench: Bench) -> None:
    """Return one of each part."""
    for name in ("gnss", "spare", "autopilot"):
        if name not in bench.instruments:
            listens = {formatter: 100 for formatter in ("APB", "RMC", "DPT", "VDM")}
            bench.link(name, baud=115200, listens=listens if name == "autopilot" else {})
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    bench.settings["outputs"]["udp"] = [{"address": "127.0.0.1", "port": port}]
    bench.settings["outputs"]["multicast"] = {"interface": "127.0.0.1"}
    bench.settings["prefer"] = {"order": {kind: ["gnss", "spare"] for kind in KINDS}}
    bench.settings["clock"] = {"socket": "/nonexistent", "links": ["gnss"], "not_before": 0}
    bench.settings["log"] = {"folder": str(bench.folder / "log")}
    bench.settings["steering"] = {
        "link": "autopilot",
        "sentences": ["APB"],
        "from": {"plotter": {"link": "spare"}},
    }


@pytest.mark.usefixtures("own_groups")
@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(st.sampled_from(["gnss", "spare", "autopilot"]), _BODY), max_size=30))
def test_no_sentence_makes_any_part_fail(bench: Bench, story: list[tuple[str, str]]) -> None:
    everything(bench)

    async def play(feed: Feed) -> None:
        loop = asyncio.get_running_loop()
        failed: list[object] = []
        loop.set_exception_handler(lambda _, context: failed.append(context))
        framers = {name: Framer(name, long=True, from_start=True) for name in bench.instruments}
        for origin, body in story:
            feed.router.publish(framers[origin].feed(frame(body), loop.time()))
        for _ in range(3):
            await asyncio.sleep(0)
        feed.state()
        assert failed == []

    bench.run(play)


@pytest.mark.usefixtures("own_groups")
def test_noise_from_everywhere_makes_no_part_fail(bench: Bench) -> None:
    everything(bench)
    rattle = random.Random(5)

    async def play(feed: Feed) -> None:
        loop = asyncio.get_running_loop()
        failed: list[object] = []
        loop.set_exception_handler(lambda _, context: failed.append(context))
        with socket.create_connection(("127.0.0.1", feed.server.port)) as client:  # type: ignore[union-attr]
            # What begins with noise would be sent away at once.
            client.sendall(GLL)
            for _ in range(50):
                for instrument in bench.instruments.values():
                    instrument.say(rattle.randbytes(300))
                client.sendall(rattle.randbytes(300))
                await asyncio.sleep(0.001)
        assert failed == []
        assert feed.state()["outputs"]["tcp"]["sentences"] == 0

    bench.run(play)


def test_every_formatter_has_one_group() -> None:
    assert {group_of("GP", formatter) for formatter in KIND_OF} <= set(GROUPS)


def test_counters_go_to_the_journal(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    everything(bench)
    bench.settings["state"]["journal"] = 0.15

    async def play(feed: Feed) -> None:
        await asyncio.sleep(0.2)

    bench.run(play)
    for said in ("gnss: 0 bytes", "tcp: 0 clients", "autopilot: 0 sentences sent to it"):
        assert caplog.text.count(said) == 1
