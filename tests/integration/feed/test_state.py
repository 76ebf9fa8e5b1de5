# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import json
import os
import select
import socket
from pathlib import Path

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.policy.rate_limit import RateLimit
from provision.onboard.feed.report import state_socket
from provision.onboard.feed.state_query import ask
from tests.support.feed.rig import GLL, VTG, Bench, Tablet, numbered, port_of, until


def test_the_socket_tells_the_state(bench: Bench) -> None:
    gnss = bench.link("gnss", baud=4800)

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 1)
        path = bench.settings["state"]["socket"]
        told = await asyncio.to_thread(ask, path)
        link = told["links"]["gnss"]
        assert set(link) >= {
            "present", "bytes", "sentences", "errors", "rates", "rates_over", "last_heard", "load",
            "last", "minute",
        }  # fmt: skip
        assert set(link["errors"]) >= {"checksum", "noise", "length", "baud"}
        assert link["present"] is True and link["bytes"] == len(GLL)
        assert json.dumps(told)
        # Somebody who asks and does not listen harms nobody.
        with socket.socket(socket.AF_UNIX) as deaf:
            deaf.connect(path)
            assert (await asyncio.to_thread(ask, path))["links"]["gnss"]["sentences"] == 1

    bench.run(play)
    assert not Path(bench.settings["state"]["socket"]).exists()


def test_the_state_tells_each_output_its_queue_and_drops(bench: Bench) -> None:
    gnss = bench.link("gnss", baud=115200)
    bench.link("display", baud=4800, listens={"DPT": 1000})
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as host:
        host.bind(("127.0.0.1", 0))
        port = host.getsockname()[1]
        bench.settings["outputs"]["udp"] = [{"address": "127.0.0.1", "port": port}]
        bench.settings["outputs"]["multicast"] = {"interface": "203.0.113.1"}

        async def play(feed: Feed) -> None:
            tablet = Tablet(port_of(feed))
            await until(lambda: feed.server._clients)  # type: ignore[union-attr]
            (listener,) = feed.listeners
            listener._rate_limit = RateLimit({"DPT": float("inf")})
            gnss.say(b"".join(map(numbered, range(50))))
            await until(lambda: numbered(49) in tablet.look())
            told = feed.state()["outputs"]
            assert told["udp"] == [{"to": f"127.0.0.1:{port}", "sent": 1, "dropped": 0}]
            # There is no such interface.
            assert (told["multicast"]["sent"], told["multicast"]["dropped"]) == (0, 50)
            assert (told["tcp"]["sentences"], told["tcp"]["dropped"]) == (50, 0)
            assert told["tcp"]["addresses"] == {"127.0.0.1": 1}
            (client,) = told["tcp"]["clients"]
            assert (client["sent"], client["queue"]) == (len(tablet.seen), 0)
            (display,) = told["listeners"].values()
            drops, sent = sum(display["drops"].values()), display["sent"]
            assert display["queue"] > 0 and drops > 0
            # One may be on the wire.
            assert 49 <= display["queue"] + drops + sent <= 50
            tablet.close()

        bench.run(play)


def test_the_state_has_the_last_sentences_that_pass_the_filter(bench: Bench) -> None:
    gnss = bench.link("gnss", baud=4800, but=[{"formatter": "VTG"}])

    async def play(feed: Feed) -> None:
        gnss.say(GLL + VTG)
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 2)
        link = (await asyncio.to_thread(ask, bench.settings["state"]["socket"]))["links"]["gnss"]
        (age, raw), *more = link["last"].values()
        assert (raw, more) == (GLL.decode().rstrip(), []) and 0 <= age < 60
        assert len(link["minute"]) == 60 and sum(link["minute"]) == 2

    bench.run(play)


@pytest.mark.parametrize(("group", "mode"), [(False, 0o700), (True, 0o660)])
def test_the_group_may_ask_only_where_the_configuration_says_so(
    bench: Bench, group: bool, mode: int
) -> None:
    bench.settings["state"]["group"] = group
    before = os.umask(0o077)

    async def play(feed: Feed) -> None:
        assert os.stat(bench.settings["state"]["socket"]).st_mode & 0o777 == mode

    try:
        bench.run(play)
    finally:
        os.umask(before)


def taken_by_the_kernel() -> int:
    """Bytes that can be sent to somebody who does not read them."""
    one, other = socket.socketpair(socket.AF_UNIX)
    with one, other:
        one.setblocking(False)
        return one.send(b"x" * 2**22)


@pytest.mark.parametrize("more", [1000, 2**20])
def test_who_asks_and_never_listens_is_left(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, more: int
) -> None:
    monkeypatch.setattr(state_socket, "CLIENT_TIMEOUT_S", 0.1)

    async def play(feed: Feed) -> None:
        much = "x" * (taken_by_the_kernel() + more)
        monkeypatch.setattr(feed.state_socket, "_state", lambda: {"much": much})
        before = len(os.listdir("/proc/self/fd"))
        with socket.socket(socket.AF_UNIX) as deaf:
            deaf.connect(bench.settings["state"]["socket"])
            answered = select.poll()
            answered.register(deaf, 0)
            await until(lambda: answered.poll(0))  # hung up
            await until(lambda: len(os.listdir("/proc/self/fd")) == before + 1)

    bench.run(play)


def test_a_socket_left_by_a_dead_process_is_replaced(bench: Bench) -> None:
    path = bench.settings["state"]["socket"]
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(path)

    async def play(feed: Feed) -> None:
        assert await asyncio.to_thread(ask, path)

    bench.run(play)
