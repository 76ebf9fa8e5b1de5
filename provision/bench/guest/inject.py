# SPDX-License-Identifier: GPL-3.0-or-later
"""Add radios, a tablet and players to a guest without touching its card.

The radios come by the kernel's command line. The tablet's program and unit come as systemd
credentials (systemd.system-credentials(7)) in the firmware's SMBIOS strings. If the emulator starts
the kernel itself, they come in a second initramfs behind the card's own.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path

from provision.boards import Board
from provision.commands import run

#: The kernel's simulated radios: for the access point, the tablet, and another device.
RADIO_OPTIONS = "modules_load=mac80211_hwsim mac80211_hwsim.radios=3"

TABLET_PROGRAM = Path(__file__).parent / "tablet.py"
_UNIT = "bench-tablet.service"
_SERVICE = """[Unit]
Description=A tablet aboard, played by the bench
Wants={device}
After={device}
# A tablet does not wait for the boat's computer to start.
DefaultDependencies=no

[Service]
{credential}ExecStart=python3 -S {program} {port}
# The boat comes first.
Nice=10
Restart=on-failure
"""
_PORTS = {
    "virtserialport": "/dev/virtio-ports/bench-tablet",
    "usb-serial": "/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_BENCH-TABLET-if00-port0",
}
#: Sourced by the initramfs as configuration, before its /run is there.
_EARLY = "echo '. /bench/put' >> /scripts/init-bottom/ORDER\n"
#: Run last of all in the initramfs, whose /run becomes the system's.
_PUT = f"""mkdir -p /run/systemd/system/multi-user.target.wants /run/bench
cp /bench/tablet.py /run/bench/tablet.py
cp /bench/{_UNIT} /run/systemd/system/{_UNIT}
ln -s ../{_UNIT} /run/systemd/system/multi-user.target.wants/{_UNIT}
"""


#: Plays the instruments of a CAN link on the controller that comes after the boat's own.
_CAN_PROGRAM = TABLET_PROGRAM.with_name("can.py")
_CAN_SERVICE = """[Unit]
Description=Instruments on a CAN bus, played by the bench

[Service]
ImportCredential=bench.can
ExecStart=python3 -S %d/bench.can /dev/virtio-ports/bench-can-{link} {interface}
Nice=10
Restart=on-failure
"""


def _service(board: Board, program: str, credential: str = "") -> str:
    """Return the tablet's unit. It waits for its port, which udev names late."""
    port = _PORTS[board.bench.tablet]
    device = run("systemd-escape", "--path", "--suffix=device", port).stdout.strip()
    return _SERVICE.format(device=device, credential=credential, program=program, port=port)


def smbios(board: Board, folder: Path, networks: Sequence[str] = ()) -> list[str]:
    """Return the emulator's arguments. `folder` keeps the files that they name.

    `networks` are the CAN links, in the order of the boat's controllers.
    """
    unit = _service(board, "%d/bench.tablet", credential="ImportCredential=bench.tablet\n")
    players = {
        f"bench-can-{link}.service": _CAN_SERVICE.format(link=link, interface=f"can{number}")
        for number, link in enumerate(networks, start=len(networks))
    }
    credentials = {
        f"systemd.extra-unit.{_UNIT}": unit,
        **{f"systemd.extra-unit.{name}": text for name, text in players.items()},
        "systemd.unit-dropin.multi-user.target": f"[Unit]\nWants={' '.join([_UNIT, *players])}\n",
        # If a busy bench kills the loading of the radios' modules halfway, the kernel crashes.
        "systemd.unit-dropin.systemd-modules-load.service": "[Service]\nTimeoutSec=infinity\n",
        "bench.tablet": TABLET_PROGRAM.read_text(),
    }
    if players:
        credentials["bench.can"] = _CAN_PROGRAM.read_text()
    argv = ["-smbios", f"type=11,value=io.systemd.boot.kernel-cmdline-extra={RADIO_OPTIONS}"]
    for name, text in credentials.items():
        path = folder / f"credential-{name}"
        content = base64.b64encode(text.encode()).decode()
        path.write_text(f"io.systemd.credential.binary:{name}={content}")
        argv += ["-smbios", f"type=11,path={path}"]
    return argv


def second_initramfs(board: Board, folder: Path) -> bytes:
    """Return a cpio archive to append to the card's own initramfs."""
    tree = folder / "second-initramfs"
    unit = _service(board, "/run/bench/tablet.py")
    files = {
        f"bench/{_UNIT}": unit,
        "bench/tablet.py": TABLET_PROGRAM.read_text(),
        "bench/put": _PUT,
        "conf/conf.d/zz-bench": _EARLY,
    }
    for name, text in files.items():
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_text(text)
    names = sorted(path.relative_to(tree).as_posix() for path in tree.rglob("*"))
    archive = folder / "second-initramfs.cpio"
    run("cpio", "--quiet", "-o", "-H", "newc", "-R", "0:0", "-F", archive, cwd=tree,
        input="\n".join(names) + "\n")  # fmt: skip
    return archive.read_bytes()
