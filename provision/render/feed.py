# SPDX-License-Identifier: GPL-3.0-or-later
"""Build /etc/boat/feed.json, which provision/onboard/feed/config/parse.py explains."""

from __future__ import annotations

from collections.abc import Mapping

from provision.onboard.feed.config.models import PAUSE_SOCKET
from provision.onboard.feed.config.types import RELEASED
from provision.onboard.feed.nmea2000.pgn import MADE_OF
from provision.profile.leases import Leases
from provision.profile.schema.boat import Profile
from provision.profile.schema.feed import DATED_FORMATTERS, SteeringConfig
from provision.profile.schema.links import CanConfig, FilterConfig, InputConfig, LinkConfig
from provision.profile.schema.types import DataKind

#: Socket where chrony takes the time from the feed. Its configuration says the same.
CLOCK_SOCKET = "/run/chrony/boat.sock"

#: Folder of the voyage log on the data partition. The service may write there.
LOG_FOLDER = "/data/log"

Json = dict[str, object]


def build_feed_config(profile: Profile, leases: Leases) -> Json:
    """Build the configuration of boat-feed. Leave out what the profile leaves out."""
    made: Json = {
        "links": {name: _build_link(name, link) for name, link in profile.links.items()},
    }
    if profile.inputs:
        address = str(profile.network.address.ip)
        made["inputs"] = {
            name: _build_input(source, address) for name, source in profile.inputs.items()
        }
    made["outputs"] = _build_outputs(profile)
    if prefer := profile.feed.prefer:
        made["prefer"] = {
            "order": prefer.sources_by_kind,
            "silence": prefer.silence,
            "steady": prefer.steady,
        }
    if profile.steering:
        made["steering"] = _build_steering(profile, profile.steering, leases)
    if clock := _clock_links(profile):
        made["clock"] = {"socket": CLOCK_SOCKET, "links": clock, "not_before": RELEASED}
    if log := profile.log:
        made["log"] = {"folder": LOG_FOLDER, "days": round(log.keep / 86400), "cap": log.cap}
    # boat-watch and the page's program run as the same group as the feed does.
    made["state"] = {"pause": PAUSE_SOCKET, "group": True}
    return made


def _build_link(name: str, link: LinkConfig | CanConfig) -> Json:
    if isinstance(link, CanConfig):
        return {"can": link.can, "talks": list_made(link.talks), **_build_filter(link.takes)}
    made: Json = {
        "device": f"/dev/boat/{name}",
        "baud": link.baud,
        "talks": link.talks,
        "listens": link.listens,
        **_build_allowances(link),
        **_build_filter(link.takes),
    }
    if link.listens_to:
        made["listens_to"] = link.listens_to
    if link.gives:
        made["sends"] = _build_filter(link.gives)
    return made


def list_made(kinds: Mapping[DataKind, float]) -> dict[str, float]:
    """Return the sentences that are made of kinds of data, with their rates."""
    return {formatter: rate for kind, rate in kinds.items() for formatter in MADE_OF[kind]}


def _build_input(source: InputConfig, address: str) -> Json:
    made: Json = {
        way: value
        for way in ("tcp", "listen", "udp", "multicast")
        if (value := getattr(source, way)) is not None
    }
    if source.multicast:
        # Without it the kernel would join on the interface with the default route.
        made["address"] = address
    if source.talks:
        made["talks"] = source.talks
    return {**made, **_build_allowances(source), **_build_filter(source.takes)}


def _build_allowances(source: LinkConfig | InputConfig) -> Json:
    return {name: True for name in ("unchecked", "long") if getattr(source, name)}


def _build_filter(passes: FilterConfig | None) -> Json:
    return passes.model_dump(exclude_defaults=True) if passes else {}


def _build_outputs(profile: Profile) -> Json:
    network, gives = profile.network.address, profile.feed.gives
    made: Json = {"tcp": {"port": profile.feed.tcp, **_build_filter(gives.get("tcp"))}}
    udp = profile.feed.udp
    broadcast = f"{network.network.broadcast_address}:{udp}"
    hosts = [broadcast] if isinstance(udp, int) else udp or []
    made["udp"] = [
        {
            "address": host.rpartition(":")[0],
            "port": int(host.rpartition(":")[2]),
            **({"network": str(network.network)} if host == broadcast else {}),
            **_build_filter(gives.get(host) or gives.get("udp")),
        }
        for host in hosts
    ]
    if profile.feed.multicast:
        made["multicast"] = {
            "interface": str(network.ip),
            "network": str(network.network),
            **_build_filter(gives.get("multicast")),
        }
    return made


def _build_steering(profile: Profile, steering: SteeringConfig, leases: Leases) -> Json:
    tablets = profile.network.tablets
    return {
        "link": steering.link,
        "sentences": steering.sentences,
        "from": {
            name: {
                "address": str(leases.fixed[name]),
                "mac": tablets[name].mac,
                **({"keyid": name} if tablets[name].own_pass_phrase else {}),
            }
            if name in tablets
            else {"link": name}
            for name in steering.senders
        },
    }


def _clock_links(profile: Profile) -> list[str]:
    if profile.clock:
        return profile.clock.sources
    return [
        name
        for name, link in profile.serial_links.items()
        if set(DATED_FORMATTERS) & set(link.talks)
    ]
