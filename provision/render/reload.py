# SPDX-License-Identifier: GPL-3.0-or-later
"""Define what a running boat does about a changed file, in dependency order."""

from __future__ import annotations

_UNITS = "/etc/systemd/system"


def _unit(action: str, unit: str, *paths: str) -> dict[str, object]:
    own = [f"{_UNITS}/{unit}", f"{_UNITS}/{unit}.d/*"]
    return {"paths": [*paths, *own], "action": action, "unit": unit}


#: What every boat does. Later actions may need the earlier ones.
_EVERY_BOAT: tuple[dict[str, object], ...] = (
    {"paths": [f"{_UNITS}/*", "/etc/systemd/system-generators/*"], "action": "daemon-reload"},
    {"paths": ["/etc/sysctl.d/*"], "action": "sysctl"},
    {"paths": ["/etc/hostname"], "action": "hostname"},
    {"paths": ["/etc/udev/rules.d/*"], "action": "udev"},
    _unit("restart", "systemd-journald.service", "/etc/systemd/journald.conf.d/*"),
    _unit("restart", "nftables.service", "/etc/nftables.conf"),
    {"paths": ["/etc/systemd/network/*"], "action": "networkd"},
    # A bridge that was made again has lost the radio.
    _unit("restart", "hostapd.service", "/etc/hostapd/*.conf", "/etc/systemd/network/*.netdev"),
    # Another pass-phrase for one tablet leaves the others joined.
    {"paths": ["/etc/hostapd/*.psk"], "action": "reload", "unit": "hostapd.service"},
    _unit("restart", "boat-stations.service", "/usr/lib/boat/*", "/usr/bin/boat-stations"),
    _unit("restart", "systemd-resolved.service", "/etc/systemd/resolved.conf.d/*"),
    _unit("restart", "dnsmasq.service", "/etc/dnsmasq.conf"),
    _unit("restart", "chrony.service", "/etc/chrony/*"),
    # A reload keeps the port open throughout.
    _unit("reload", "ssh.service", "/etc/ssh/sshd_config", "/etc/ssh/ssh_host_*"),
    _unit(
        "restart",
        "boat-feed.service",
        "/etc/boat/feed.json",
        "/usr/lib/boat/*",
        "/usr/bin/boat-feed",
    ),
    _unit(
        "restart",
        "boat-watch.service",
        "/etc/boat/watch.json",
        "/usr/lib/boat/*",
        "/usr/bin/boat-watch",
    ),
)

#: What a boat with a page does, too. A restart of the socket restarts a page that is being read.
_PAGE: tuple[dict[str, object], ...] = (
    _unit("restart", "boat-page.socket"),
    _unit(
        "restart",
        "boat-page.service",
        "/etc/boat/page.json",
        "/usr/lib/boat/*",
        "/usr/bin/boat-page",
    ),
)

#: What a boat with charts does, too. A copy that runs goes on: the next one is new.
_CHARTS: tuple[dict[str, object], ...] = (
    _unit("restart", "boat-charts.socket"),
    _unit(
        "restart",
        "boat-charts.service",
        "/etc/boat/charts.json",
        "/usr/lib/boat/*",
        "/usr/bin/boat-charts",
    ),
)


def list_reloads(*, page: bool, charts: bool) -> tuple[dict[str, object], ...]:
    """Return the manifest's `reload`."""
    return _EVERY_BOAT + (_PAGE if page else ()) + (_CHARTS if charts else ())
