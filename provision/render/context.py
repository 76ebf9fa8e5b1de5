# SPDX-License-Identifier: GPL-3.0-or-later
"""What the templates are given beside the profile: all that has to be worked out first."""

from __future__ import annotations

from dataclasses import dataclass

from provision.boards import Board, board
from provision.profile.keys import access_keys
from provision.profile.load import Boat
from provision.profile.models import Profile
from provision.profile.secrets import Secrets, host_public_key, psk
from provision.render.identity import mac_address, machine_id
from provision.render.leases import Leases, leases

#: No true date lies before it: 2025-08-09, when the boat's Debian was released.
NOT_BEFORE = 1754697600

#: Where chrony takes the time from the feed; its configuration says the same.
CLOCK_SOCKET = "/run/chrony/boat.sock"

#: Sentences that carry both date and time (IEC 61162-1).
DATED = ("RMC", "ZDA")

#: From here up a channel is in the 5 GHz band (IEEE Std 802.11).
FIRST_5_GHZ_CHANNEL = 36


@dataclass(frozen=True)
class Context:
    """One boat, as the templates see it."""

    profile: Profile
    board: Board
    uplink: bool
    """Whether the wired port leads off the boat."""
    leases: Leases
    machine_id: str
    bridge_mac: str
    hw_mode: str
    """hostapd's word for where the channel lies: g at 2.4 GHz, a at 5 GHz."""
    psk: str
    """64 hexadecimal digits."""
    host_key: str
    authorized_keys: list[str]
    feed: dict[str, object]
    """/etc/boat/feed.json; provision/onboard/feed/config.py says what it means."""


def context(boat: Boat, secrets: Secrets) -> Context:
    """Work out what the templates of this boat need; UserError when that cannot be done."""
    profile = boat.profile
    network = profile.network
    radio = network.access_point
    machine = machine_id(profile.boat, host_public_key(secrets))
    return Context(
        profile=profile,
        board=board(profile.board),
        uplink=network.wired == "shore",
        leases=leases(network.address, network.tablets),
        machine_id=machine,
        bridge_mac=mac_address(machine, "boat0"),
        hw_mode="a" if radio.channel >= FIRST_5_GHZ_CHANNEL else "g",
        psk=psk(secrets.pass_phrase, radio.ssid),
        host_key=secrets.host_key.rstrip("\n") + "\n",
        authorized_keys=access_keys(boat),
        feed=_feed(profile),
    )


def _feed(profile: Profile) -> dict[str, object]:
    feed: dict[str, object] = {
        "links": {
            name: {
                "device": f"/dev/boat/{name}",
                "baud": link.baud,
                "talks": link.talks,
                "listens": link.listens,
            }
            for name, link in profile.links.items()
        },
        "outputs": {
            "tcp": {"port": profile.feed.tcp},
            "udp": [
                {
                    "address": str(profile.network.address.network.broadcast_address),
                    "port": profile.feed.udp,
                }
            ]
            if profile.feed.udp
            else [],
        },
    }
    dated = [name for name, link in profile.links.items() if set(DATED) & set(link.talks)]
    if dated:
        feed["clock"] = {"socket": CLOCK_SOCKET, "links": dated, "not_before": NOT_BEFORE}
    return feed
