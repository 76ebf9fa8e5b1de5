# SPDX-License-Identifier: GPL-3.0-or-later
"""List the units that run aboard, and those of the distribution that never do."""

from __future__ import annotations

from provision.render.archive import Symlink

_UNITS = "/etc/systemd/system"
_VENDOR = "/usr/lib/systemd/system"

#: Units that start at boot: the target that wants them, the unit, and whether the file is ours or
#: the base's. The radio itself wants hostapd: it starts whenever the radio appears, and a boat
#: without a radio waits for nothing.
ENABLED = (
    ("sysinit.target", "nftables.service", _UNITS),
    ("multi-user.target", "systemd-networkd.service", _VENDOR),
    ("sys-subsystem-net-devices-wlan0.device", "hostapd.service", _UNITS),
    ("sysinit.target", "dnsmasq.service", _UNITS),
    ("multi-user.target", "chrony.service", _UNITS),
    ("multi-user.target", "ssh.service", _VENDOR),
    ("sysinit.target", "boat-feed.service", _UNITS),
    ("multi-user.target", "boat-watch.service", _UNITS),
)

#: Wanted only where the boat has an uplink.
ENABLED_WITH_UPLINK = (("sysinit.target", "systemd-resolved.service", _VENDOR),)

#: Wanted only where a tablet has a pass-phrase of its own.
ENABLED_WITH_OWN_PASS_PHRASES = (("multi-user.target", "boat-stations.service", _UNITS),)

#: Wanted only where the boat has a page. The socket starts boat-page.service.
ENABLED_WITH_PAGE = (("sockets.target", "boat-page.socket", _UNITS),)

#: Wanted only where the boat has charts. The socket starts boat-charts.service. A stick starts
#: boat-charts-stick@.service by a rule of udev's.
ENABLED_WITH_CHARTS = (("sockets.target", "boat-charts.socket", _UNITS),)

#: Units that must not run on a read-only root, on ports of instruments, or on a boat where no
#: account has a password.
MASKED = (
    # Nothing is installed, updated or scrubbed aboard.
    "apt-daily.service",
    "apt-daily.timer",
    "apt-daily-upgrade.service",
    "apt-daily-upgrade.timer",
    "dpkg-db-backup.service",
    "dpkg-db-backup.timer",
    "e2scrub_all.timer",
    "e2scrub_reap.service",
    "fstrim.timer",
    "ldconfig.service",
    "logrotate.timer",
    "man-db.timer",
    "systemd-boot-update.service",
    "systemd-hwdb-update.service",
    "systemd-journal-catalog-update.service",
    "systemd-journal-flush.service",
    "systemd-pcrlock-make-policy.service",
    "systemd-update-done.service",
    # No user logs in at a screen or a serial line.
    "console-getty.service",
    "container-getty@.service",
    "getty@.service",
    "serial-getty@.service",
    "systemd-logind.service",
    # The radio is hostapd's alone, and never blocked by what was once saved.
    "systemd-rfkill.service",
    "systemd-rfkill.socket",
    "wpa_supplicant.service",
    # Mounts and loads that no program aboard asks for. Each is costly on a small processor.
    "dev-hugepages.mount",
    "dev-mqueue.mount",
    "kmod-static-nodes.service",
    "proc-sys-fs-binfmt_misc.automount",
    "sys-fs-fuse-connections.mount",
    "sys-kernel-config.mount",
    "sys-kernel-debug.mount",
    "sys-kernel-tracing.mount",
    "systemd-binfmt.service",
    "systemd-networkd-persistent-storage.service",
    "systemd-udev-load-credentials.service",
    # The initramfs has mounted all there is.
    "systemd-remount-fs.service",
    # chrony keeps the clock.
    "systemd-timesyncd.service",
    # Nothing waits for a network.
    "systemd-networkd-wait-online.service",
)

#: Generators: getty would start a login on a console, gpt-auto would mount partitions that it
#: finds, ssh would open further sockets, sysv would run what packages left in /etc/init.d.
MASKED_GENERATORS = (
    "systemd-getty-generator",
    "systemd-gpt-auto-generator",
    "systemd-ssh-generator",
    "systemd-sysv-generator",
)


def unit_links(
    uplink: bool, *, own_pass_phrases: bool, page: bool, charts: bool
) -> dict[str, Symlink]:
    """Return the symbolic links that enable and mask units, by path."""
    enabled = ENABLED + (ENABLED_WITH_UPLINK if uplink else ())
    enabled += ENABLED_WITH_OWN_PASS_PHRASES if own_pass_phrases else ()
    enabled += ENABLED_WITH_PAGE if page else ()
    enabled += ENABLED_WITH_CHARTS if charts else ()
    links = {
        f"{_UNITS}/{wanted_by}.wants/{unit}": Symlink(f"{folder}/{unit}")
        for wanted_by, unit, folder in enabled
    }
    links |= {f"{_UNITS}/{unit}": Symlink("/dev/null") for unit in MASKED}
    return links | {
        f"/etc/systemd/system-generators/{name}": Symlink("/dev/null") for name in MASKED_GENERATORS
    }
