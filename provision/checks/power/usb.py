# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the board has sockets and current for all adapters and devices."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from provision import boards
from provision.checks.figure import Figure, find_broken_limits, judge
from provision.checks.finding import Finding
from provision.profile.load import Boat

#: A unit load in mA (USB 2.0 specification). An adapter counts as one unless the profile says more.
UNIT_LOAD_MA = 100

#: Most that a port of a hub with its own supply gives (USB 2.0 specification).
MAX_PORT_MA = 500

#: A bus-powered hub has 500 mA for itself and one unit load each for at most four ports (USB 2.0
#: specification).
BUS_POWERED_PORTS = 4

_OWN_HUB = "add a hub with its own 5 V supply and name it under usb.hubs"


@dataclass(frozen=True)
class UsbLoads:
    """Hold the currents that adapters and devices draw, each by its name, in mA."""

    on_board: dict[str, int]
    """Those that the board feeds, directly or through a hub without a supply of its own."""
    on_hubs: dict[str, int]
    """Those that hubs with a supply of their own feed."""
    bus_powered_hubs: int

    @property
    def board_ma(self) -> int:
        """Return what the board's sockets give in all."""
        return sum(self.on_board.values()) + self.bus_powered_hubs * UNIT_LOAD_MA

    @property
    def total_ma(self) -> int:
        """Return what all sockets give in all."""
        return self.board_ma + sum(self.on_hubs.values())

    @property
    def by_name(self) -> dict[str, int]:
        """Return all currents."""
        return self.on_board | self.on_hubs


def usb_loads(boat: Boat) -> UsbLoads:
    """Share the adapters and devices among the sockets.

    A hub with a supply gets the hungriest first. A device with a supply of its own draws nothing.
    """
    drawn: dict[str, int] = {}
    names: dict[str, str] = {}
    for name, link in boat.profile.serial_links.items():
        # A CAN interface may be on the board itself. Links on one chip are one adapter.
        first = names.setdefault(link.adapter.serial or link.adapter.port or "", name)
        drawn[first] = max(drawn.get(first, 0), link.adapter.milliamps or UNIT_LOAD_MA)
    for name, device in boat.profile.usb.devices.items():
        drawn[f"usb.devices.{name}"] = 0 if device.own_supply else device.milliamps
    hubs = boat.profile.usb.hubs.values()
    fed = sum(hub.ports for hub in hubs if hub.own_supply)
    hungriest = sorted(drawn.items(), key=lambda one: -one[1])
    return UsbLoads(
        dict(hungriest[fed:]), dict(hungriest[:fed]), sum(not hub.own_supply for hub in hubs)
    )


def check(boat: Boat) -> Iterator[Finding]:
    """Find too many adapters for the sockets, too much current, and hubs without supply."""
    yield from find_broken_limits(boat, list(figures(boat)))


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate sockets and currents of the board, of each hub and of each device."""
    yield from _sockets(boat)
    yield from _bus_powered(boat)
    yield from _shares(boat)
    yield from _budget(boat)


def _sockets(boat: Boat) -> Iterator[Figure]:
    board, hubs = boards.board(boat.profile.board), boat.profile.usb.hubs
    here = "usb.hubs" if hubs else "links"
    plugs = len(usb_loads(boat).by_name)
    sockets = board.usb.ports - len(hubs) + sum(hub.ports for hub in hubs.values())
    if len(hubs) > board.usb.ports:
        yield Figure(
            "usb-ports",
            "hubs in the board's USB sockets",
            len(hubs),
            "hubs",
            "the board's sockets",
            limit=board.usb.ports,
            verdict="error",
            help="use fewer hubs with more ports",
            key="usb.hubs",
        )
        return
    yield Figure(
        "usb-ports",
        "adapters and devices in USB sockets",
        plugs,
        "plugs",
        "the board's sockets and its hubs'",
        limit=sockets,
        verdict=judge(plugs, sockets),
        help=_OWN_HUB,
        key=here,
    )
    if plugs > board.usb.ports and plugs <= sockets:
        fed = any(hub.own_supply for hub in hubs.values())
        yield Figure(
            "usb-hub-supply",
            "adapters and devices on hubs without a supply of their own",
            0 if fed else plugs - board.usb.ports + len(hubs),
            "plugs",
            "more adapters than sockets want a hub with its own supply: common practice",
            limit=0,
            verdict="fine" if fed else "warning",
            help="give a hub its own 5 V supply, and write own_supply: true",
            key=here,
        )


def _bus_powered(boat: Boat) -> Iterator[Figure]:
    for name, hub in boat.profile.usb.hubs.items():
        if not hub.own_supply:
            yield Figure(
                f"usb-power.{name}",
                f"ports of {name}, a hub without its own supply",
                hub.ports,
                "ports",
                "USB 2.0 specification",
                limit=BUS_POWERED_PORTS,
                verdict=judge(hub.ports, BUS_POWERED_PORTS),
                help="give the hub its own 5 V supply",
                key=f"usb.hubs.{name}",
            )


def _shares(boat: Boat) -> Iterator[Figure]:
    """Compare each plug with what one socket gives."""
    loads, profile = usb_loads(boat), boat.profile
    socket = boards.board(profile.board).usb.socket_milliamps
    for name, milliamps in loads.by_name.items():
        device = name.removeprefix("usb.devices.")
        given = socket if name in loads.on_board else MAX_PORT_MA
        yield Figure(
            f"usb-share.{device}",
            f"what {device} draws from its USB socket",
            milliamps,
            "mA",
            "USB 2.0 specification",
            limit=given,
            verdict=judge(milliamps, given),
            help="give it a supply of its own, and write own_supply: true",
            key=name if name != device else f"links.{name}.adapter.milliamps",
        )
    hungry = sum(milliamps > UNIT_LOAD_MA for milliamps in loads.on_board.values())
    own = max(0, boards.board(profile.board).usb.ports - len(profile.usb.hubs))
    if hungry:
        yield Figure(
            "usb-shares",
            f"those that draw over {UNIT_LOAD_MA} mA, which want a socket of the board itself",
            hungry,
            "plugs",
            "a port of a bus-powered hub gives 100 mA, USB 2.0 specification",
            limit=own,
            verdict=judge(hungry, own),
            help=_OWN_HUB,
            key="usb.devices" if profile.usb.devices else "links",
        )


def _budget(boat: Boat) -> Iterator[Figure]:
    board, total = boards.board(boat.profile.board), usb_loads(boat).board_ma
    yield Figure(
        "usb-power",
        "what is drawn from the board's USB sockets",
        total,
        "mA",
        "100 mA an adapter, USB 2.0 specification, unless the profile says more",
        limit=board.usb.milliamps,
        verdict=judge(total, board.usb.milliamps),
        help=_OWN_HUB,
        key="usb.hubs" if boat.profile.usb.hubs else "links",
    )
