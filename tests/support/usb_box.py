# SPDX-License-Identifier: GPL-3.0-or-later
"""A laptop with a hull's adapters plugged in: a mount namespace with other /dev and /sys/class/tty.

The adapters' lines are pseudo-terminals, as on the bench. A command that runs in the box finds
them as it would find real ones.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from provision.bench.hull.schema import Hull, HullAdapter
from provision.bench.simulation.instruments import Instruments
from provision.bench.wire.wires import Wires

#: $1 is the folder that becomes /sys/class/tty, $2 an empty one that becomes /dev, then pairs of a
#: port's name and its line, then -- and the command.
ENTER = """
set -e
tty=$1 dev=$2
shift 2
mount --bind "$tty" /sys/class/tty
mount -t tmpfs box "$dev"
for name in null zero full random urandom tty; do
    [ ! -e "/dev/$name" ] || { touch "$dev/$name"; mount --bind "/dev/$name" "$dev/$name"; }
done
mkdir "$dev/pts" "$dev/shm"
mount --bind /dev/pts "$dev/pts"
ln -s pts/ptmx "$dev/ptmx"
ln -s /proc/self/fd "$dev/fd"
while [ "$1" != -- ]; do
    touch "$dev/$1"
    mount --bind "$2" "$dev/$1"
    shift 2
done
shift
mount --rbind "$dev" /dev
exec "$@"
"""


def _describe(folder: Path, name: str, adapter: HullAdapter) -> None:
    """Write what the kernel says of an adapter, in the layout of /sys."""
    device = folder / "devices" / f"{adapter.port}"
    interface = device / f"{adapter.port}:1.0"
    port = interface / name
    port.mkdir(parents=True)
    driver = folder / "drivers" / adapter.driver
    driver.mkdir(parents=True, exist_ok=True)
    (port / "driver").symlink_to(driver)
    (interface / "bInterfaceNumber").write_text("00\n")
    for key, value in (
        ("idVendor", adapter.vendor),
        ("idProduct", adapter.product),
        ("serial", adapter.serial),
    ):
        if value:
            (device / key).write_text(f"{value}\n")
    tty = folder / "tty" / name
    tty.mkdir(parents=True)
    (tty / "device").symlink_to(port)


@dataclass(frozen=True)
class Box:
    """A laptop with adapters."""

    folder: Path
    lines: Mapping[str, Path]
    """The line of each port, by its name such as ttyUSB0."""

    def run(self, *command: str, cwd: Path) -> subprocess.CompletedProcess[str]:
        """Run a command that sees the adapters."""
        pairs = [word for name, line in self.lines.items() for word in (name, str(line))]
        enter = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", ENTER, "sh"]
        folders = [str(self.folder / "tty"), str(self.folder / "dev")]
        return subprocess.run(
            [*enter, *folders, *pairs, "--", *command],
            cwd=cwd,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )


@contextmanager
def plugged_in(hull: Hull, folder: Path, order: Sequence[str] = ()) -> Iterator[Box]:
    """Plug a hull's adapters into this computer, in this order. Each needs a `port`."""
    order = order or list(hull.adapters)
    wires = Wires(hull, order, folder)
    wires.start()
    sockets = {voice: wires.socket(voice) for name in order for voice in hull.voices(name)}
    try:
        wires.attach(order, attached=True)
        (folder / "dev").mkdir()
        lines = {}
        for number, name in enumerate(order):
            _describe(folder, f"ttyUSB{number}", hull.adapters[name])
            lines[f"ttyUSB{number}"] = wires.devices[name]
        with Instruments(hull, sockets):
            yield Box(folder, lines)
    finally:
        wires.stop()
