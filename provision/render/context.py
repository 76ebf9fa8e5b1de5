# SPDX-License-Identifier: GPL-3.0-or-later
"""Compute what the templates are given beside the profile."""

from __future__ import annotations

from dataclasses import dataclass

from provision.boards import Board, board
from provision.profile.access_keys import read_access_keys
from provision.profile.leases import Leases, plan_leases
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.schema.charts import CHARTS_PORT
from provision.profile.schema.page import PAGE_PORT
from provision.profile.secrets.store import Secrets, derive_own_psks, derive_psk, host_public_key
from provision.render.charts import build_charts_config
from provision.render.feed import build_feed_config
from provision.render.identity import derive_mac_address, derive_machine_id
from provision.render.page import build_page_config
from provision.render.ports import Ports, collect_ports
from provision.render.watch import build_watch_config

#: The first channel in the 5 GHz band (IEEE Std 802.11).
FIRST_5_GHZ_CHANNEL = 36


@dataclass(frozen=True)
class Context:
    """Hold one boat as the templates see it."""

    profile: Profile
    board: Board
    uplink: bool
    """Whether the wired port leads off the boat."""
    leases: Leases
    machine_id: str
    bridge_mac: str
    hw_mode: str
    """hostapd's letter for the channel, "g" for 2.4 GHz or "a" for 5 GHz."""
    psk: str
    """64 hexadecimal digits."""
    own_psks: dict[str, str]
    """The same of the tablets that have a pass-phrase of their own, by name."""
    host_key: str
    authorized_keys: list[str]
    ports: Ports
    feed: dict[str, object]
    """/etc/boat/feed.json, which provision/onboard/feed/config/parse.py explains."""
    page: dict[str, object] | None
    """/etc/boat/page.json (provision/onboard/page/facts/config.py). None without a page."""
    charts: dict[str, object] | None
    """/etc/boat/charts.json (provision/onboard/charts/config.py). None without charts."""
    watch: dict[str, object]
    """/etc/boat/watch.json (provision/onboard/watch/facts/config.py)."""
    page_port: int = PAGE_PORT
    charts_port: int = CHARTS_PORT


def build_context(boat: Boat, secrets: Secrets) -> Context:
    """Compute what the templates of this boat need. Raise UserError if that fails."""
    profile = boat.profile
    network = profile.network
    radio = network.access_point
    machine = derive_machine_id(profile.boat, host_public_key(secrets))
    shared = plan_leases(boat)
    return Context(
        profile=profile,
        board=board(profile.board),
        uplink=network.wired == "shore",
        leases=shared,
        machine_id=machine,
        bridge_mac=derive_mac_address(machine, "boat0"),
        hw_mode="a" if radio.channel >= FIRST_5_GHZ_CHANNEL else "g",
        psk=derive_psk(secrets.pass_phrase, radio.ssid),
        own_psks=derive_own_psks(boat, secrets),
        host_key=secrets.host_key,
        authorized_keys=read_access_keys(boat),
        ports=collect_ports(profile),
        feed=build_feed_config(profile, shared),
        page=build_page_config(profile, secrets, shared),
        charts=build_charts_config(profile),
        watch=build_watch_config(profile),
    )
