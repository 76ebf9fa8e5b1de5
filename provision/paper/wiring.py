# SPDX-License-Identifier: GPL-3.0-or-later
"""Say what is plugged in where, as plain data for drawings, tables and labels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from provision import boards
from provision.paper.words import describe_data
from provision.profile.schema.boat import Profile
from provision.profile.schema.links import AdapterConfig, CanConfig, InputConfig, LinkConfig
from provision.render.feed import list_made


@dataclass(frozen=True)
class Line:
    """Hold one link or input: what it is called, and what goes in and out."""

    name: str
    says: tuple[str, ...]
    """Formatters of the sentences that it sends, or that the feed makes of its data."""
    is_sent: tuple[str, ...] = ()
    speed: str = ""
    """Its baud rate. Of an NMEA 2000 network 250k, of an input nothing."""
    number: int | None = None
    """Which line of a several-port chip, counted from 1. None of a chip with one."""

    @property
    def data(self) -> tuple[str, ...]:
        """Return what it carries in words, such as depth."""
        return describe_data(self.says, self.is_sent)

    @property
    def arrow(self) -> Literal["in", "out", "both"]:
        """Return the way of its data: in to the computer, out to the instrument, or both."""
        if not self.is_sent:
            return "in"
        return "both" if self.says else "out"


@dataclass(frozen=True)
class Plug:
    """Hold one thing that is plugged in at the computer, and the lines that end in it."""

    kind: Literal["adapter", "network", "input"]
    """An adapter with serial links, an NMEA 2000 network, or an input on the boat's network."""
    label: str
    """What tells it from others: its serial number, its socket, or its address."""
    socket: str
    """The socket that it has to stay in, the CAN interface, or nothing: any USB socket."""
    lines: tuple[Line, ...]

    @property
    def fixed(self) -> bool:
        """Tell if it is known by its socket alone."""
        return self.kind == "adapter" and bool(self.socket)


@dataclass(frozen=True)
class Hub:
    """Hold a USB hub."""

    name: str
    sockets: int
    own_supply: bool


@dataclass(frozen=True)
class Device:
    """Hold what is in a USB socket beside adapters."""

    name: str
    supply: str


@dataclass(frozen=True)
class Wiring:
    """Hold a boat's computer with all that is plugged in."""

    boat: str
    computer: str
    sockets: int
    """USB sockets of the computer itself."""
    hubs: tuple[Hub, ...]
    devices: tuple[Device, ...]
    plugs: tuple[Plug, ...]

    @property
    def lines(self) -> list[Line]:
        """Return all links and inputs, in the order of drawing."""
        return [line for plug in self.plugs for line in plug.lines]


def read_wiring(profile: Profile) -> Wiring:
    """Collect what a profile says is plugged in. Links on one chip share a plug."""
    board = boards.board(profile.board)
    return Wiring(
        boat=profile.boat,
        # What stands behind the comma helps to choose a board and not to find it.
        computer=board.description.partition(",")[0],
        sockets=board.usb.ports,
        hubs=tuple(Hub(name, hub.ports, hub.own_supply) for name, hub in profile.usb.hubs.items()),
        devices=tuple(
            Device(name, "its own supply" if one.own_supply else f"at most {one.milliamps} mA")
            for name, one in profile.usb.devices.items()
        ),
        plugs=(*_adapters(profile.serial_links), *_networks(profile), *_inputs(profile)),
    )


def _adapters(links: Mapping[str, LinkConfig]) -> Iterator[Plug]:
    chips: dict[str, list[str]] = {}
    for name, link in links.items():
        chips.setdefault(link.adapter.chip_id, []).append(name)
    for names in chips.values():
        adapter = links[names[0]].adapter
        ordered = sorted(names, key=lambda name: links[name].adapter.interface or 0)
        yield Plug(
            kind="adapter",
            label=adapter.serial or f"socket {adapter.port}",
            socket=adapter.port or "",
            lines=tuple(_serial_line(name, links[name]) for name in ordered),
        )


def _serial_line(name: str, link: LinkConfig) -> Line:
    return Line(
        name=name,
        says=tuple(link.talks),
        is_sent=tuple(link.listens),
        speed=str(link.baud),
        number=_count(link.adapter),
    )


def _count(adapter: AdapterConfig) -> int | None:
    """Return the number that people give to a chip's interface: they count from 1."""
    return None if adapter.interface is None else adapter.interface + 1


def _networks(profile: Profile) -> Iterator[Plug]:
    for name, link in profile.links.items():
        if isinstance(link, CanConfig):
            # 250 kbit/s: ISO 11783-2 and NMEA 2000, as the boat brings the interface up.
            line = Line(name=name, says=tuple(list_made(link.talks)), speed="250k")
            yield Plug("network", "NMEA 2000", link.can, (line,))


def _inputs(profile: Profile) -> Iterator[Plug]:
    for name, source in profile.inputs.items():
        yield Plug("input", _name_source(source), "", (Line(name=name, says=tuple(source.talks)),))


def _name_source(source: InputConfig) -> str:
    if source.tcp:
        return f"at {source.tcp}"
    if source.multicast:
        return f"multicast {' '.join(source.multicast)}"
    return f"to TCP {source.listen}" if source.listen else f"to UDP {source.udp}"
