# SPDX-License-Identifier: GPL-3.0-or-later
"""Build /etc/boat/page.json, which provision/onboard/page/facts/config.py explains."""

from __future__ import annotations

from provision.profile.leases import Leases
from provision.profile.schema.boat import Profile
from provision.profile.schema.charts import CHARTS_PORT
from provision.profile.schema.links import AdapterConfig, CanConfig, InputConfig, LinkConfig
from provision.profile.secrets.store import Secrets
from provision.render.feed import list_made
from provision.render.qr_code import draw_code, write_wifi_code

Json = dict[str, object]


def build_page_config(profile: Profile, secrets: Secrets, leases: Leases) -> Json | None:
    """Build the configuration of boat-page. None for a boat without a page."""
    if profile.page is None:
        return None
    address = str(profile.network.address.ip)
    ssid = profile.network.access_point.ssid
    wifi: Json = {"ssid": ssid}
    codes: Json = {"page": draw_code(f"http://{address}/")}
    if profile.page.pass_phrase:
        wifi["pass_phrase"] = secrets.pass_phrase
        codes["wifi"] = draw_code(write_wifi_code(ssid, secrets.pass_phrase))
    made: Json = {
        "boat": profile.boat,
        "hosts": [address, *(f"{profile.boat}{end}" for end in ("", ".boat", ".local"))],
        "feed": {"address": address, "port": profile.feed.tcp},
        "wifi": wifi,
        "codes": codes,
        "sources": {
            **{name: _build_link(link) for name, link in profile.links.items()},
            **{name: _build_input(source) for name, source in profile.inputs.items()},
        },
        "tablets": {name: str(leases.fixed[name]) for name in profile.network.tablets},
    }
    if profile.charts:
        made["charts"] = f"{address}:{CHARTS_PORT}"
    if steering := profile.steering:
        made["steering"] = {
            "link": steering.link,
            "from": steering.senders,
            "sentences": steering.sentences,
        }
    return made


def _build_link(link: LinkConfig | CanConfig) -> Json:
    if isinstance(link, CanConfig):
        plug = f"its cable at the computer ({link.can})"
        return {"kind": "network", "plug": plug, "talks": list_made(link.talks)}
    return {
        "kind": "link",
        "plug": _name_adapter(link.adapter),
        "baud": link.baud,
        "talks": link.talks,
        "listens": link.listens,
    }


def _name_adapter(adapter: AdapterConfig) -> str:
    if adapter.port:
        where = f"the adapter in USB socket {adapter.port}"
    else:
        where = f"the adapter with serial number {adapter.serial}"
    # People count from 1, chips from 0.
    return where if adapter.interface is None else f"{where}, line {adapter.interface + 1}"


def _build_input(source: InputConfig) -> Json:
    if source.tcp:
        plug = f"the device at {source.tcp}"
    elif source.multicast:
        plug = f"the device that sends {' and '.join(source.multicast)}"
    else:
        port = f"TCP port {source.listen}" if source.listen else f"UDP port {source.udp}"
        plug = f"the device that sends to {port}"
    return {"kind": "input", "plug": plug, "talks": source.talks}
