# SPDX-License-Identifier: GPL-3.0-or-later
"""What boat-feed is told: one JSON file, /etc/boat/feed.json.

All keys but `links` may be left out; what is left out is off.

    {"links": {NAME: LINK},
     "outputs": {"tcp": {"port": 10110, "address": "", "clients": 64, "per_address": 8,
                         "queue": 65536, "patience": 30, FILTER},
                 "udp": [{"address": "10.47.1.255", "port": 10110, FILTER}]},
     "steering": {"link": "autopilot", "sentences": ["APB", "RMB", "XTE"],
                  "silence": 10,
                  "from": {"chart-table": {"address": "10.47.1.50", "mac": "02:00:00:12:34:56"},
                           "plotter": {"link": "plotter"}}},
     "clock": {"socket": "/run/chrony/boat.sock", "links": ["gnss"], "not_before": EPOCH},
     "state": {"socket": "/run/boat-feed/state.sock", "journal": 900}}

LINK, a serial connection to an instrument:

    {"device": "/dev/boat/gnss", "baud": 4800, "talks": {"RMC": 1.0}, "listens": {"APB": 1.0},
     "unchecked": false, "long": false, FILTER}

`talks` and `listens` map a formatter to sentences a second; a listener is sent no more
than that of each. `unchecked` allows sentences without a checksum, `long` those longer
than 82 characters.

FILTER is "only": [PATTERN, ...] and "but": [PATTERN, ...], both optional, where a PATTERN
is {"talker": "GP", "formatter": "RMC", "link": "gnss"} with at least one key; on a link
it says what is taken from it, on an output what is sent there.

`queue` is in bytes for each client, `patience` in seconds without progress before a
client is disconnected, `silence` in seconds before another controller may take over,
`journal` the seconds between two lines of counters in the journal.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from provision.onboard.feed.filters import Filter, Pattern
from provision.onboard.feed.keys import ConfigError, Keys

#: Rates that serial adapters and instruments use; 4800 is IEC 61162-1, 38400 IEC 61162-2.
BAUD_RATES = (4800, 9600, 19200, 38400, 57600, 115200)

#: Where the state can be asked for.
STATE_SOCKET = "/run/boat-feed/state.sock"


@dataclass(frozen=True)
class Link:
    """A serial connection to an instrument."""

    name: str
    device: str
    baud: int
    talks: Mapping[str, float]
    listens: Mapping[str, float]
    unchecked: bool
    long: bool
    filter: Filter


@dataclass(frozen=True)
class Tcp:
    """The server that tablets read the feed from."""

    port: int
    address: str
    clients: int
    per_address: int
    queue: int
    patience: float
    filter: Filter


@dataclass(frozen=True)
class Udp:
    """A broadcast address or a host that datagrams go to."""

    address: str
    port: int
    filter: Filter


@dataclass(frozen=True)
class Sender:
    """Who may steer: a network address (with its hardware address), or a link."""

    name: str
    address: str | None
    mac: str | None
    link: str | None


@dataclass(frozen=True)
class Steering:
    """Which link is steered, by which sentences, and by whom."""

    link: str
    sentences: frozenset[str]
    senders: tuple[Sender, ...]
    silence: float


@dataclass(frozen=True)
class Clock:
    """Which links tell the time, and where it goes."""

    socket: str
    links: tuple[str, ...]
    not_before: float


@dataclass(frozen=True)
class State:
    """Where the state is told."""

    socket: str
    journal: float


@dataclass(frozen=True)
class Config:
    """All that boat-feed is told."""

    links: tuple[Link, ...]
    tcp: Tcp | None
    udp: tuple[Udp, ...]
    steering: Steering | None
    clock: Clock | None
    state: State


def _pattern(keys: Keys) -> Pattern:
    pattern = Pattern(
        talker=keys.take("talker", str, None),
        formatter=keys.take("formatter", str, None),
        link=keys.take("link", str, None),
    )
    if pattern == Pattern():
        raise ConfigError(f"{keys.place}: names neither talker, formatter nor link")
    return pattern


def _filter(keys: Keys) -> Filter:
    only = keys.each("only", _pattern) if keys.has("only") else None
    return Filter(only, keys.each("but", _pattern))


def _link(name: str, keys: Keys) -> Link:
    baud = keys.take("baud", int, 4800)
    if baud not in BAUD_RATES:
        raise ConfigError(f"{keys.name('baud')}: {baud} is not a baud rate")
    return Link(
        name=name,
        device=keys.take("device", str),
        baud=baud,
        talks=keys.rates("talks"),
        listens=keys.rates("listens"),
        unchecked=keys.take("unchecked", bool, False),
        long=keys.take("long", bool, False),
        filter=_filter(keys),
    )


def _tcp(keys: Keys) -> Tcp:
    return Tcp(
        port=keys.whole("port", 0, 65535, 10110),
        address=keys.take("address", str, ""),
        clients=keys.whole("clients", 1, 1000, 64),
        per_address=keys.whole("per_address", 1, 1000, 8),
        queue=keys.whole("queue", 1024, 2**24, 65536),
        patience=keys.number("patience", 1, 3600, 30),
        filter=_filter(keys),
    )


def _udp(keys: Keys) -> Udp:
    return Udp(
        address=keys.take("address", str),
        port=keys.whole("port", 1, 65535, 10110),
        filter=_filter(keys),
    )


def _sender(name: str, keys: Keys) -> Sender:
    sender = Sender(
        name=name,
        address=keys.take("address", str, None),
        mac=keys.take("mac", str, None),
        link=keys.take("link", str, None),
    )
    if (sender.address is None) == (sender.link is None):
        raise ConfigError(f"{keys.place}: a sender is named either by address or by link")
    return sender


def _steering(keys: Keys) -> Steering:
    return Steering(
        link=keys.take("link", str),
        sentences=frozenset(keys.strings("sentences")),
        senders=keys.named("from", _sender),
        silence=keys.number("silence", 1, 3600, 10),
    )


def _clock(keys: Keys) -> Clock:
    return Clock(
        socket=keys.take("socket", str),
        links=keys.strings("links"),
        not_before=keys.number("not_before", 0, 2**40, 0.0),
    )


def _state(keys: Keys) -> State:
    return State(
        socket=keys.take("socket", str, STATE_SOCKET),
        journal=keys.number("journal", 1, 10**6, 900),
    )


def _config(keys: Keys) -> Config:
    tcp, udp = keys.one(
        "outputs", lambda outputs: (outputs.maybe("tcp", _tcp), outputs.each("udp", _udp))
    )
    config = Config(
        links=keys.named("links", _link),
        tcp=tcp,
        udp=udp,
        steering=keys.maybe("steering", _steering),
        clock=keys.maybe("clock", _clock),
        state=keys.one("state", _state),
    )
    names = {link.name for link in config.links}
    if config.steering and config.steering.link not in names:
        raise ConfigError(f"steering.link: there is no link {config.steering.link}")
    for name in config.clock.links if config.clock else ():
        if name not in names:
            raise ConfigError(f"clock.links: there is no link {name}")
    return config


def parse(value: object) -> Config:
    """The configuration in decoded JSON; ConfigError when it cannot be used."""
    return Keys(value, "").whole_of(_config)


def load(path: str) -> Config:
    """The configuration in the file at `path`; ConfigError when it cannot be used."""
    try:
        with open(path, "rb") as file:
            return parse(json.load(file))
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error
    except ValueError as error:
        raise ConfigError(f"{path}: {error}") from error
