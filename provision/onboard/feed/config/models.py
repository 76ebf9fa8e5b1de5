# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold the configuration of boat-feed as typed values, which parse.py reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from provision.onboard.feed.net.subnet import Subnet
from provision.onboard.feed.nmea0183.filters import Filter


@dataclass(frozen=True)
class SourceConfig:
    """Holds what links and inputs have in common."""

    name: str
    talks: Mapping[str, float]
    unchecked: bool
    long: bool
    filter: Filter


@dataclass(frozen=True)
class LinkConfig(SourceConfig):
    """Describes a serial connection to an instrument."""

    device: str
    baud: int
    listens: Mapping[str, float]
    listens_to: frozenset[str]
    """Inputs whose sentences the link may be sent, of those that the input's `talks` names."""
    sends: Filter


@dataclass(frozen=True)
class CanConfig(SourceConfig):
    """Describes an NMEA 2000 network behind a SocketCAN interface."""

    interface: str


@dataclass(frozen=True)
class InputConfig(SourceConfig):
    """Describes a source on the network. One of `tcp`, `listen`, `udp` and `multicast` is set."""

    tcp: tuple[str, int] | None
    listen: int | None
    udp: int | None
    multicast: tuple[str, ...]
    address: str


@dataclass(frozen=True)
class TcpConfig:
    """Describes the server that tablets read the feed from."""

    port: int
    address: str
    clients: int
    per_address: int
    queue: int
    patience: float
    filter: Filter


@dataclass(frozen=True)
class UdpConfig:
    """Describes a broadcast address or a host that datagrams go to."""

    address: str
    port: int
    network: Subnet | None
    """The addresses that a broadcast reaches. None for a host."""
    filter: Filter


@dataclass(frozen=True)
class MulticastConfig:
    """Describes multicast as of IEC 61162-450."""

    interface: str
    source: str
    network: Subnet
    """The addresses that the multicast reaches."""
    filter: Filter


@dataclass(frozen=True)
class SenderConfig:
    """Names a sender that may steer: a network address (with its hardware address), or a link."""

    name: str
    address: str | None
    mac: str | None
    link: str | None
    keyid: str | None = None
    """The name of the pass-phrase that the sender must have joined the Wi-Fi by."""


@dataclass(frozen=True)
class SteeringConfig:
    """Names the link that is steered, the sentences that steer it, and their senders."""

    link: str
    sentences: frozenset[str]
    senders: tuple[SenderConfig, ...]
    silence: float


@dataclass(frozen=True)
class PreferConfig:
    """Holds the order of preference for each kind of data."""

    order: Mapping[str, tuple[str, ...]]
    silence: float
    steady: float


@dataclass(frozen=True)
class ClockConfig:
    """Names the links that tell the time, and the socket that it goes to."""

    socket: str
    links: tuple[str, ...]
    not_before: float | None


@dataclass(frozen=True)
class LogConfig:
    """Describes the voyage log."""

    folder: str
    days: int
    cap: int
    interval: float


@dataclass(frozen=True)
class StateConfig:
    """Says where the state can be asked for, and how often the journal gets counters."""

    socket: str
    journal: float


@dataclass(frozen=True)
class Config:
    """Holds the whole configuration of boat-feed."""

    links: tuple[LinkConfig, ...]
    cans: tuple[CanConfig, ...]
    inputs: tuple[InputConfig, ...]
    tcp: TcpConfig | None
    udp: tuple[UdpConfig, ...]
    multicast: MulticastConfig | None
    prefer: PreferConfig | None
    steering: SteeringConfig | None
    clock: ClockConfig | None
    log: LogConfig | None
    stations: str
    """The socket where boat-stations answers."""
    state: StateConfig
