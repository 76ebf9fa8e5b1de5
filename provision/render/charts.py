# SPDX-License-Identifier: GPL-3.0-or-later
"""Build /etc/boat/charts.json, which provision/onboard/charts/config.py explains."""

from __future__ import annotations

from provision.onboard.feed.voyage_log.files import MIN_FREE_BYTES
from provision.onboard.watch.memory.files import CAP_BYTES
from provision.profile.schema.boat import Profile
from provision.profile.schema.charts import CHARTS_PORT

Json = dict[str, object]

#: Folder of the charts on the data partition. The copy from a stick may write there.
CHARTS_FOLDER = "/data/charts"


def reserve_bytes(profile: Profile) -> int:
    """Return the bytes of the data partition that charts leave to log, history and settings."""
    return MIN_FREE_BYTES + (CAP_BYTES + profile.log.cap if profile.log else 0)


def build_charts_config(profile: Profile) -> Json | None:
    """Build the configuration of boat-charts. None for a boat without charts."""
    if profile.charts is None:
        return None
    address = str(profile.network.address.ip)
    names = [address, *(f"{profile.boat}{end}" for end in ("", ".boat", ".local"))]
    return {
        "folder": CHARTS_FOLDER,
        "cap": profile.charts.cap,
        "reserve": reserve_bytes(profile),
        "hosts": [f"{name}:{CHARTS_PORT}" for name in names],
    }
