# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the board has sockets and current for all adapters."""

from __future__ import annotations

from collections.abc import Iterator

from provision import boards
from provision.checks.finding import Finding
from provision.profile.load import Boat

#: A unit load in mA (USB 2.0 specification). An adapter counts as one.
UNIT_LOAD_MA = 100

#: A bus-powered hub has 500 mA for itself and one unit load each for at most four ports (USB 2.0
#: specification).
BUS_POWERED_PORTS = 4


def check(boat: Boat) -> Iterator[Finding]:
    """Find too many adapters for the sockets, too much current, and hubs without supply."""
    profile, board = boat.profile, boards.board(boat.profile.board)
    hubs = profile.usb.hubs
    # A CAN interface may be on the board itself.
    links = profile.serial_links.values()
    adapters = len({link.adapter.serial or link.adapter.port for link in links})
    sockets = board.usb.ports - len(hubs) + sum(hub.ports for hub in hubs.values())
    own_hub = "add a hub with its own 5 V supply and name it under usb.hubs"
    if len(hubs) > board.usb.ports:
        yield Finding(
            "error",
            "usb-ports",
            f"{len(hubs)} hubs do not fit into the board's {board.usb.ports} USB sockets",
            boat.location("usb.hubs"),
            "use fewer hubs with more ports",
        )
    elif adapters > sockets:
        yield Finding(
            "error",
            "usb-ports",
            f"{adapters} adapters do not fit into {sockets} USB sockets",
            boat.location("usb.hubs" if hubs else "links"),
            own_hub,
        )
    for name, hub in hubs.items():
        if not hub.own_supply and hub.ports > BUS_POWERED_PORTS:
            yield Finding(
                "error",
                f"usb-power.{name}",
                f"a hub without its own supply can feed {BUS_POWERED_PORTS} ports, "
                f"not {hub.ports} (USB 2.0)",
                boat.location(f"usb.hubs.{name}"),
                "give the hub its own 5 V supply",
            )
    # A hub with a supply gets adapters first.
    fed = sum(hub.ports for hub in hubs.values() if hub.own_supply)
    loads = max(0, adapters - fed) + sum(not hub.own_supply for hub in hubs.values())
    if loads * UNIT_LOAD_MA > board.usb.milliamps:
        yield Finding(
            "error",
            "usb-power",
            f"{loads * UNIT_LOAD_MA} mA are wanted from the board's USB sockets, which give "
            f"{board.usb.milliamps} mA in all (100 mA an adapter, USB 2.0)",
            boat.location("usb.hubs" if hubs else "links"),
            own_hub,
        )
