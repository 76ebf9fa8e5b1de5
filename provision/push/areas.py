# SPDX-License-Identifier: GPL-3.0-or-later
"""Say in the operator's words what a push changes, by the files that differ."""

from __future__ import annotations

from collections.abc import Iterable
from fnmatch import fnmatch

#: Patterns of paths aboard, and what they are about. The first that fits counts.
AREAS = (
    ("/etc/boat/manifest.json", ""),
    ("/etc/boat/feed.json", "links"),
    ("/etc/boat/page.json", "page"),
    ("/etc/boat/charts.json", "charts"),
    ("/etc/systemd/system/boat-charts*", "charts"),
    ("/etc/udev/rules.d/71-boat-charts.rules", "charts"),
    ("/etc/boat/watch.json", "history"),
    ("/etc/systemd/system/boat-watch.*", "history"),
    ("/etc/systemd/system/boat-page.*", "page"),
    ("/etc/hostapd/*", "Wi-Fi"),
    ("/etc/udev/*", "adapters"),
    ("/etc/systemd/network/*", "network"),
    ("/etc/dnsmasq.conf", "addresses"),
    ("/etc/resolv.conf", "addresses"),
    ("/etc/systemd/resolved.conf.d/*", "addresses"),
    ("/etc/nftables.conf", "firewall"),
    ("/etc/chrony/*", "clock"),
    ("/etc/ssh/*", "logins"),
    ("/etc/motd", "logins"),
    ("/etc/host*", "name"),
    ("/etc/machine-id", "name"),
    ("/etc/sysctl.d/*", "kernel"),
    ("/etc/systemd/*", "services"),
    ("/usr/*", "programs"),
    ("/var/lib/systemd/*", "services"),
    ("*", "other"),
)


def describe_changes(paths: Iterable[str]) -> str:
    """Name the areas of changed files, such as "links, Wi-Fi (2 files)"."""
    changed = sorted(set(paths))
    found = dict.fromkeys(
        area
        for pattern, area in AREAS
        if area and any(_area_of(path) == area for path in changed if fnmatch(path, pattern))
    )
    files = f"{len(changed)} file{'s' if len(changed) != 1 else ''}"
    return f"{', '.join(found)} ({files})" if found else files


def _area_of(path: str) -> str:
    return next(area for pattern, area in AREAS if fnmatch(path, pattern))
