# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults of the links: adapters, ports, and what comes over them into the feed."""

from __future__ import annotations

import json
import shlex
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from tests.support.boats import Club, Virtual
from tests.system.faults.fault import fails, until, wanted_otherwise
from tests.system.faults.network import kept_aside, put_back

FEED = "/etc/boat/feed.json"

#: Stands between the feed and its clients, and greets each of them.
GREETER = """
import asyncio

async def serve(_, writer):
    source, _ = await asyncio.open_connection("127.0.0.1", 10111)
    writer.write(b"welcome aboard\\r\\n")
    async for line in source:
        writer.write(line)

async def main():
    await (await asyncio.start_server(serve, "10.47.1.1", 10110)).serve_forever()

asyncio.run(main())
"""


def settled(boat: Virtual) -> bool:
    """Tell whether tests/boat/test_feed.py would hear every link, and note no rate."""
    links = boat.feed()["links"]
    return all(
        links[name]["rates_over"] >= 4
        and abs(links[name]["rates"].get(formatter, 0) - rate) <= 0.25 * rate + 0.2
        for name, link in boat.bench.profile.links.items()
        for formatter, rate in link.talks.items()
    )


def feed_anew(boat: Virtual) -> None:
    """Start the feed again, which forgets the rates of before; the suite waits for new ones."""
    boat.ask("systemctl restart boat-feed")


@contextmanager
def fed_otherwise(boat: Virtual, change: Callable[[dict[str, Any]], object]) -> Iterator[None]:
    """The feed works with other settings than those that were pushed."""
    aside = kept_aside(boat, FEED)
    config = json.loads(boat.ask(f"cat {FEED}"))
    change(config)
    boat.ask(f"echo {shlex.quote(json.dumps(config))} > {FEED}")
    feed_anew(boat)
    yield
    put_back(boat, FEED, aside)
    feed_anew(boat)


@contextmanager
def said_again_and_again(boat: Virtual, link: str, line: bytes, pause: float) -> Iterator[None]:
    """A second instrument on a link's wire."""
    assert boat.bench.instruments is not None
    instruments, enough = boat.bench.instruments, threading.Event()

    def chatter() -> None:
        while not enough.wait(pause):
            instruments.say(link, line)

    talker = threading.Thread(target=chatter)
    talker.start()
    try:
        yield
    finally:
        enough.set()
        talker.join()


@fails("devices: adapter [gnss]", "feed: link is heard [gnss]")
def adapter_pulled_out(boat: Virtual) -> Iterator[Club | None]:
    boat.bench.unplug("gnss")
    until(lambda: "gnss" not in boat.ask("ls /dev/boat"), "the adapter to go")
    boat.ask("systemctl restart boat-feed")
    until(lambda: not boat.feed()["links"]["gnss"]["present"], "the link to go")
    yield None
    boat.bench.plug("gnss")
    until(lambda: "gnss" in boat.ask("ls /dev/boat"), "the adapter to come back")
    feed_anew(boat)


@fails("devices: adapter [depth-log]")
def name_at_another_adapter(boat: Virtual) -> Iterator[Club | None]:
    name, other = "/dev/boat/depth-log", "/dev/boat/gnss"
    right = boat.ask(f"readlink {name}").strip()
    boat.ask(f"ln --symbolic --force --no-dereference $(readlink {other}) {name}")
    yield None
    boat.ask(f"ln --symbolic --force --no-dereference {right} {name}")


@fails("devices: speed [ais]")
def another_speed(boat: Virtual) -> Iterator[Club | None]:
    """The instrument is set to it, too: the sentences still come."""
    right = boat.bench.profile.serial_links["ais"].baud
    boat.bench.set_baud("ais", 9600)
    with fed_otherwise(boat, lambda config: config["links"]["ais"].update(baud=9600)):
        yield None
    boat.bench.set_baud("ais", right)


@fails("devices: stays awake [autopilot]")
def adapter_may_sleep(boat: Virtual) -> Iterator[Club | None]:
    port = "/sys/class/tty/$(basename $(readlink /dev/boat/autopilot))/device/../../power/control"
    boat.ask(f"echo auto > {port}")
    yield None
    boat.ask(f"echo on > {port}")


@fails("devices: no login prompt [depth-log]")
def login_prompt_on_a_line(boat: Virtual) -> Iterator[Club | None]:
    mask = "/etc/systemd/system/serial-getty@.service"
    getty = "serial-getty@$(basename $(readlink /dev/boat/depth-log))"
    again = "systemctl daemon-reload; udevadm trigger --settle --action=add --subsystem-match=tty"
    boat.ask(f"rm {mask} && systemctl daemon-reload && systemctl start {getty}")
    yield None
    boat.ask(f"systemctl stop {getty}; ln --symbolic /dev/null {mask}; {again}")
    feed_anew(boat)


@fails("devices: can interface [backbone]", "feed: can link is heard [backbone]", alone=True)
def network_of_instruments_not_there(boat: Virtual) -> Iterator[Club | None]:
    """Ask for a network in the profile, since this boat has none; see also test_feed.py."""
    link = "backbone: {can: can0, talks: [heading]}"
    with wanted_otherwise(boat, "links:\n", f"links:\n  {link}\n") as club:
        yield club


@fails("feed: feed carries every sentence [gnss]")
def sentence_kept_from_clients(boat: Virtual) -> Iterator[Club | None]:
    unwanted = [{"formatter": "VTG"}]
    with fed_otherwise(boat, lambda config: config["outputs"]["tcp"].update(but=unwanted)):
        yield None


@fails(
    *(f"feed: feed carries every sentence [{link}]" for link in ("ais", "autopilot")),
    *(f"feed: feed carries every sentence [{link}]" for link in ("depth-log", "gnss")),
)
def other_words_in_the_feed(boat: Virtual) -> Iterator[Club | None]:
    with fed_otherwise(boat, lambda config: config["outputs"]["tcp"].update(port=10111)):
        boat.ask(f"systemd-run --quiet --unit=greeter python3 -c {shlex.quote(GREETER)}")
        until(lambda: "10.47.1.1:10110" in boat.ask("ss --no-header -ltn"), "the greeter")
        yield None
        boat.ask("systemctl stop greeter")
