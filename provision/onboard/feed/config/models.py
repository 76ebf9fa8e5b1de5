# SPDX-License-Identifier: GPL-3.0-or-later
"""What boat-feed is told, as typed values; config.py reads them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from provision.onboard.feed.net.subnet import Subnet
from provision.onboard.feed.nmea0183.filters import Filter


@dataclass(frozen=True)
class Source:
    """What links and inputs have in common."""

    name: str
    talks: Mapping[str, float]
    unchecked: bool
    long: bool
    filter: Filter


@dataclass(frozen=True)
class Link(Source):
    """A serial connection to an instrument."""

    device: str
    baud: int
    listens: Mapping[str, float]
    listens_to: frozenset[str]
    """Inputs whose sentences it may be sent, those that their `talks` names."""
    sends: Filter


@dataclass(frozen=True)
class Can(Source):
    """An NMEA 2000 network behind a SocketCAN interface."""

    interface: str


@dataclass(frozen=True)
class Input(Source):
    """A source on the network: exactly one of `tcp`, `listen`, `udp` and `multicast` is set."""

    tcp: tuple[str, int] | None
    listen: int | None
    udp: int | None
    multicast: tuple[str, ...]
    address: str


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
    network: Subnet | None
    """Whom a broadcast reaches; None for a host."""
    filter: Filter


@dataclass(frozen=True)
class Multicast:
    """Multicast as of IEC 61162-450."""

    interface: str
    source: str
    network: Subnet
    """Whom it reaches."""
    filter: Filter


@dataclass(frozen=True)
class Sender:
    """Who may steer: a network address (with its hardware address), or a link."""

    name: str
    address: str | None
    mac: str | None
    link: str | None
    keyid: str | None = None
    """The name of the pass-phrase that it has to have joined the Wi-Fi by."""


@dataclass(frozen=True)
class Steering:
    """Which link is steered, by which sentences, and by whom."""

    link: str
    sentences: frozenset[str]
    senders: tuple[Sender, ...]
    silence: float


@dataclass(frozen=True)
class Prefer:
    """The order of preference for each kind of data."""

    order: Mapping[str, tuple[str, ...]]
    silence: float
    steady: float


@dataclass(frozen=True)
class Clock:
    """Which links tell the time, and where it goes."""

    socket: str
    links: tuple[str, ...]
    not_before: float | None


@dataclass(frozen=True)
class Log:
    """The voyage log."""

    folder: str
    days: int
    cap: int
    interval: float


@dataclass(frozen=True)
class State:
    """Where the state is told."""

    socket: str
    journal: float


@dataclass(frozen=True)
class Config:
    """All that boat-feed is told."""

    links: tuple[Link, ...]
    cans: tuple[Can, ...]
    inputs: tuple[Input, ...]
    tcp: Tcp | None
    udp: tuple[Udp, ...]
    multicast: Multicast | None
    prefer: Prefer | None
    steering: Steering | None
    clock: Clock | None
    log: Log | None
    stations: str
    """The socket where boat-stations can be asked."""
    state: State
