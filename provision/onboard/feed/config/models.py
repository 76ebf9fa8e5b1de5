# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold the configuration of boat-feed as typed values. `json_reader` reads them by these types."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

from provision.onboard.feed.config.json_reader import Key, between
from provision.onboard.feed.config.types import (
    EVERYTHING,
    LOG_INTERVAL_S,
    Address,
    Baud,
    Endpoint,
    InlineFilter,
    Kind,
    ListenPort,
    Mac,
    MulticastSource,
    OwnAddress,
    Rates,
    TransmissionGroup,
)
from provision.onboard.feed.net.subnet import EVERYWHERE, Subnet
from provision.onboard.feed.nmea0183.filters import Filter

#: Path of the socket where the feed answers with its state.
STATE_SOCKET = "/run/boat-feed/state.sock"

#: Path of the socket where root pauses a link for as long as a survey listens on its port.
PAUSE_SOCKET = "/run/boat-feed/pause.sock"

#: Path of the socket where boat-stations answers.
STATIONS_SOCKET = "/run/boat-stations/socket"


@dataclass(frozen=True, kw_only=True)
class SourceOptions:
    """Holds what links and inputs have in common."""

    name: str
    talks: Rates = field(default_factory=dict)
    unchecked: bool = False
    long: bool = False
    filter: InlineFilter = EVERYTHING


@dataclass(frozen=True, kw_only=True)
class LinkOptions(SourceOptions):
    """Describes a serial connection to an instrument."""

    device: str
    baud: Baud = 4800
    listens: Rates = field(default_factory=dict)
    listens_to: frozenset[str] = frozenset()
    """Inputs whose sentences the link may be sent, of those that the input's `talks` names."""
    sends: Filter = EVERYTHING


@dataclass(frozen=True, kw_only=True)
class CanOptions(SourceOptions):
    """Describes an NMEA 2000 network behind a SocketCAN interface."""

    interface: Annotated[str, Key("can")]
    unchecked: bool = field(init=False, default=False)
    long: bool = field(init=False, default=False)


@dataclass(frozen=True, kw_only=True)
class InputOptions(SourceOptions):
    """Describes a source on the network. One of `tcp`, `listen`, `udp` and `multicast` is set."""

    tcp: Endpoint | None = None
    listen: ListenPort | None = None
    udp: ListenPort | None = None
    multicast: tuple[TransmissionGroup, ...] = ()
    address: OwnAddress = ""

    def __post_init__(self) -> None:
        ways = (self.tcp, self.listen, self.udp, self.multicast or None)
        if sum(way is not None for way in ways) != 1:
            raise ValueError("one of tcp, listen, udp and multicast is needed")


@dataclass(frozen=True)
class TcpOptions:
    """Describes the server that tablets read the feed from."""

    port: ListenPort = 10110
    address: OwnAddress = ""
    clients: Annotated[int, between(1, 1000)] = 64
    per_address: Annotated[int, between(1, 1000)] = 8
    queue: Annotated[int, between(1024, 2**24)] = 65536
    patience: Annotated[float, between(1, 3600)] = 30.0
    filter: InlineFilter = EVERYTHING


@dataclass(frozen=True)
class UdpOptions:
    """Describes a broadcast address or a host that datagrams go to."""

    address: Address
    port: Annotated[int, between(1, 65535)] = 10110
    network: Subnet | None = None
    """The addresses that a broadcast reaches. None for a host."""
    filter: InlineFilter = EVERYTHING


@dataclass(frozen=True)
class MulticastOptions:
    """Describes multicast as of IEC 61162-450."""

    interface: OwnAddress = ""
    source: MulticastSource = "II0001"
    network: Subnet = EVERYWHERE
    """The addresses that the multicast reaches."""
    filter: InlineFilter = EVERYTHING


@dataclass(frozen=True)
class OutputsOptions:
    """Holds the ways out onto the boat's network."""

    tcp: TcpOptions | None = None
    udp: tuple[UdpOptions, ...] = ()
    multicast: MulticastOptions | None = None


@dataclass(frozen=True)
class SenderOptions:
    """Names a sender that may steer: a network address (with its hardware address), or a link."""

    name: str
    address: str | None = None
    mac: Mac | None = None
    link: str | None = None
    keyid: str | None = None
    """The name of the pass-phrase that the sender must have joined the Wi-Fi by."""

    def __post_init__(self) -> None:
        if self.keyid is not None and (self.address is None or self.mac is None):
            raise ValueError("keyid needs address and mac")
        if (self.address is None) == (self.link is None):
            raise ValueError("a sender is named either by address or by link")


@dataclass(frozen=True)
class SteeringOptions:
    """Names the link that is steered, the sentences that steer it, and their senders."""

    link: str
    sentences: frozenset[str] = frozenset()
    senders: Annotated[tuple[SenderOptions, ...], Key("from")] = ()
    silence: Annotated[float, between(1, 3600)] = 10.0


@dataclass(frozen=True)
class PreferOptions:
    """Holds the order of preference for each kind of data."""

    order: Mapping[Kind, tuple[str, ...]] = field(default_factory=dict)
    silence: Annotated[float, between(0.1, 3600)] = 10.0
    steady: Annotated[float, between(0, 3600)] = 10.0


@dataclass(frozen=True)
class ClockOptions:
    """Names the links that tell the time, and the socket that it goes to."""

    socket: str
    links: tuple[str, ...] = ()
    not_before: Annotated[float, between(0, 2**40)] | None = None


@dataclass(frozen=True)
class LogOptions:
    """Describes the voyage log."""

    folder: str
    days: Annotated[int, between(1, 10000)] = 30
    cap: Annotated[int, between(2**20, 2**50)] = 2 * 10**9
    interval: Annotated[float, between(1, 86400)] = LOG_INTERVAL_S


@dataclass(frozen=True)
class StateOptions:
    """Says where the state can be asked for, and how often the journal gets counters."""

    socket: str = STATE_SOCKET
    group: bool = False
    """True if the group of the feed may ask, too. The group of its service is then a shared one."""
    pause: str | None = None
    """The socket where root pauses a link for a survey. None for no such socket."""
    journal: Annotated[float, between(0.1, 10**6)] = 900.0


@dataclass(frozen=True)
class Config:
    """Holds the whole configuration of boat-feed."""

    all_links: Annotated[tuple[LinkOptions | CanOptions, ...], Key("links")] = ()
    inputs: tuple[InputOptions, ...] = ()
    outputs: OutputsOptions = OutputsOptions()
    prefer: PreferOptions | None = None
    steering: SteeringOptions | None = None
    clock: ClockOptions | None = None
    log: LogOptions | None = None
    stations: str = STATIONS_SOCKET
    """The socket where boat-stations answers."""
    state: StateOptions = StateOptions()

    @property
    def links(self) -> tuple[LinkOptions, ...]:
        """Return the serial links."""
        return tuple(link for link in self.all_links if isinstance(link, LinkOptions))

    @property
    def cans(self) -> tuple[CanOptions, ...]:
        """Return the NMEA 2000 networks."""
        return tuple(link for link in self.all_links if isinstance(link, CanOptions))
