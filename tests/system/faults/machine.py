# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults of the machine itself: root, data, settings, units, clock."""

from __future__ import annotations

import time
from collections.abc import Iterator

from provision.card.layout.partitions import Layout
from tests.support.boats import Club, Virtual
from tests.system.faults.fault import fails, until, wanted_otherwise
from tests.system.faults.network import kept_aside, put_back

#: The card aboard: the bench plugs in no other disk. Numbers are the same for every boat.
DISK = "vda"
LAYOUT = Layout("gpt", "any")
BASE = "/usr/lib/boat-base/base.json"
CHRONY = "/etc/chrony/chrony.conf"

#: Kills a service as soon as the suite has begun to watch for restarts; see test_units.py.
KILLER = "until pgrep --full --exact 'sleep 2'; do sleep 0.05; done; systemctl kill -s KILL dnsmasq"
#: Restarted within the two seconds that the suite watches.
SOON = "/run/systemd/system/dnsmasq.service.d/soon.conf"


@fails("root: root is the overlay", alone=True)
def another_root(boat: Virtual) -> Iterator[Club | None]:
    """Mount another root. Running programs keep theirs; the mount table shows the other."""
    boat.ask("mount -t tmpfs other /")
    yield None
    boat.ask("umount /..")  # `/` alone is the root of who asks, below the other one


@fails("root: base is read only")
def base_covered(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("mount -t tmpfs other /run/boat/base")
    yield None
    boat.ask("umount /run/boat/base")


@fails("root: only data is writable")
def boot_partition_mounted(boat: Virtual) -> Iterator[Club | None]:
    boat.ask(f"mkdir /run/boot && mount /dev/{DISK}{LAYOUT.boot.number} /run/boot")
    yield None
    boat.ask("umount /run/boot && rmdir /run/boot")


@fails("root: overlay has room")
def overlay_filled(boat: Virtual) -> Iterator[Club | None]:
    boat.ask(
        "fallocate -l $(($(df --block-size=1 --output=size / | tail -1) * 85 / 100)) /var/log/full"
    )
    yield None
    boat.ask("rm /var/log/full")


#: The boat remembers the time on data every quarter of an hour, and may have failed to just then.
CLOCK_FORGIVEN = "systemctl reset-failed boat-clock.service 2>/dev/null || true"


@fails("data: mounted")
def data_read_only(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("mount -o remount,ro /data")
    yield None
    boat.ask(f"mount -o remount,rw /data; {CLOCK_FORGIVEN}")


@fails("data: writable")
def data_full(boat: Virtual) -> Iterator[Club | None]:
    """Fill the part that is held back for root, too."""
    free = "$(($(stat --file-system --format='%f * %S' /data)))"
    boat.ask(f"fallocate -l {free} /data/full; dd if=/dev/zero of=/data/rest bs=4k", check=False)
    yield None
    boat.ask(f"rm /data/full /data/rest; {CLOCK_FORGIVEN}")


@fails("data: kept settings are whole")
def kept_settings_damaged(boat: Virtual) -> Iterator[Club | None]:
    archive = "/data/settings/$(cut --delimiter=' ' --fields=1 /data/settings/kept).tar"
    boat.ask(f"printf x >> {archive}")
    yield None
    boat.ask(f"truncate --size=-1 {archive}")


@fails("identity: host name")
def another_host_name(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("echo lapwing > /proc/sys/kernel/hostname")
    yield None
    boat.ask("cat /etc/hostname > /proc/sys/kernel/hostname")


@fails("identity: base")
def base_of_another_format(boat: Virtual) -> Iterator[Club | None]:
    boat.ask(f'sed \'s/"format": *1/"format": 2/\' {BASE} > /run/base.json')
    boat.ask(f"! cmp --quiet /run/base.json {BASE} && mount --bind /run/base.json {BASE}")
    yield None
    boat.ask(f"umount {BASE}")


@fails("identity: settings", alone=True)
def profile_changed_but_not_pushed(boat: Virtual) -> Iterator[Club | None]:
    with wanted_otherwise(boat, "baud: 38400", "baud: 4800") as club:
        yield club


@fails("identity: no drift")
def file_changed_by_hand(boat: Virtual) -> Iterator[Club | None]:
    aside = kept_aside(boat, "/etc/motd")
    boat.ask("echo 'I was here.' >> /etc/motd")
    yield None
    put_back(boat, "/etc/motd", aside)


@fails("packages: nothing grabs the lines [brltty]")
def program_installed_by_hand(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("cp /bin/true /usr/bin/brltty")
    yield None
    boat.ask("rm /usr/bin/brltty")


@fails("packages: nothing grabs the lines [modemmanager]")
def package_installed(boat: Virtual) -> Iterator[Club | None]:
    boat.ask(
        "mkdir -p /run/modemmanager/DEBIAN && printf '%s\\n' 'Package: modemmanager' 'Version: 1' "
        "'Architecture: all' 'Maintainer: nobody <nobody@boat>' 'Description: one that grabs' "
        "> /run/modemmanager/DEBIAN/control && dpkg-deb --build /run/modemmanager /run/grabber.deb "
        "&& dpkg --install /run/grabber.deb"
    )
    yield None
    boat.ask("dpkg --purge modemmanager && rm -r /run/modemmanager /run/grabber.deb")


@fails("units: enabled units are active", "ports: listening")
def service_stopped(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("systemctl stop dnsmasq")
    yield None
    boat.ask("systemctl start dnsmasq")


@fails("units: no failed units")
def unit_failed(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("systemd-run --quiet --unit=failing false")
    until(lambda: boat.ask("systemctl is-failed failing", check=False) == "failed\n", "the failure")
    yield None
    boat.ask("systemctl reset-failed failing")


@fails("units: no unit restarts")
def service_restarts(boat: Virtual) -> Iterator[Club | None]:
    boat.ask(f"mkdir -p $(dirname {SOON}) && printf '[Service]\\nRestartSec=0\\n' > {SOON}")
    boat.ask("systemctl daemon-reload")
    boat.ask(f'systemd-run --quiet --unit=killer sh -c "{KILLER}"')
    yield None
    boat.ask(f"systemctl stop killer; rm -r $(dirname {SOON}) && systemctl daemon-reload")


@fails("watch: watches")
def watch_stands_still(boat: Virtual) -> Iterator[Club | None]:
    """The program is there, and neither samples nor answers."""
    boat.ask("systemctl kill --signal=STOP boat-watch")
    yield None
    boat.ask("systemctl kill --signal=CONT boat-watch")


@fails("clock: chrony has its source")
def no_source_of_time(boat: Virtual) -> Iterator[Club | None]:
    aside = kept_aside(boat, CHRONY)
    boat.ask(f"sed -i '/^refclock/d' {CHRONY} && systemctl restart chrony")
    yield None
    put_back(boat, CHRONY, aside)
    boat.ask("systemctl restart chrony")


@fails("clock: right time", alone=True)
def clock_not_followed(boat: Virtual) -> Iterator[Club | None]:
    """The clock is wrong, the instruments tell chrony so, and it does not listen to them."""
    aside = kept_aside(boat, CHRONY)
    boat.ask(f"sed -i '/^refclock/s/$/ noselect/' {CHRONY} && systemctl restart chrony")
    boat.ask(f"date --set=@{time.time() + 60:.0f}")
    reach = "chronyc -c sources | grep '^#' | cut -d, -f6"
    until(lambda: boat.ask(reach).strip() not in ("", "0"), "the instruments at chrony")
    yield None
    put_back(boat, CHRONY, aside)
    boat.ask(f"date --set=@{time.time():.2f} && systemctl restart chrony")


@fails("clock: right time", alone=True)
def clock_before_the_base(boat: Virtual) -> Iterator[Club | None]:
    """The instruments fall silent, and the clock is set wrong: chrony lets go of its source."""
    boat.ask("systemctl stop boat-feed && date --set=@1000000000")
    until(lambda: "#,*" not in boat.ask("chronyc -c sources"), "chrony's doubt")
    yield None
    boat.ask(f"date --set=@{time.time():.2f} && systemctl start boat-feed")


@fails("root: base is unwritten", "data: no errors", alone=True)
def card_written_and_worn(boat: Virtual) -> Iterator[Club | None]:
    """Damage what only a start repairs, which checks the file system: the last fault of all.

    The base keeps its content, since what is written is what was read there.
    """
    base, data = (f"{DISK}{partition.number}" for partition in (LAYOUT.base, LAYOUT.data))
    boat.ask(f"dd if=/dev/{base} of=/dev/{base} bs=4096 count=1 conv=notrunc,fsync")
    boat.ask(f"echo worn > /sys/fs/ext4/{data}/trigger_fs_error")
    yield None
    boat.power_cycle()
