# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure a boat's start, and the memory that it takes.

    python -m tests.measure.boot

Ours: from switching on until a tablet holds the first sentence in its hands, having joined
the access point and been given an address. Theirs: the same emulated machine with the same
kernel and packages on an ordinary ext4 disk, from switching on until multi-user.open_boat. The
median of three runs each, taken in turns.
"""

from __future__ import annotations

import base64
import statistics
import tempfile
import time
from pathlib import Path

from provision.bench.bench import Bench
from provision.bench.hull.derive import derive
from provision.bench.hull.schema import HullAdapter
from provision.bench.qemu.build import CARD_BYTES
from provision.bench.qemu.machine import NetworkWire
from provision.bench.qemu.process import Emulator
from provision.boards import Board, board
from provision.commands import run
from provision.errors import UserError
from provision.profile.scaffold import create_club
from tests.measure import plain
from tests.measure.figures import Amount, Ratio
from tests.support.boats import Club, Virtual

RUNS = 3
BOOT_TIMEOUT_S = 300
_READY = "multi-user reached"
_UNIT = f"""[Unit]
After=multi-user.open_boat

[Service]
Type=oneshot
ExecStart=sh -c "echo {_READY} > /dev/ttyS0"
"""


def start_ours(club: Club) -> tuple[float, float]:
    """Return the seconds to the first sentence; MiB in use once it has settled."""
    target = club.open_boat("kittiwake")
    kind = board(target.boat.profile.board)
    begin = time.monotonic()
    with Bench(target.boat.profile, target.secrets, kind, club.card("kittiwake")) as bench:
        bench.join()
        bench.read(lines=1)
        seconds = time.monotonic() - begin
        time.sleep(20)
        lines = Virtual(club, bench).ask("cat /proc/meminfo").splitlines()
    memory = {line.split(":")[0]: int(line.split()[1]) for line in lines}
    return seconds, (memory["MemTotal"] - memory["MemAvailable"]) / 1024


def start_theirs(kind: Board, adapters: dict[str, HullAdapter]) -> float:
    """Return the seconds to multi-user.target."""
    with tempfile.TemporaryDirectory(prefix="measure-boot-") as work:
        folder = Path(work)
        disk = folder / "disk.qcow2"
        run("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw",
            "-b", plain.disk(kind), disk, CARD_BYTES)  # fmt: skip
        machine = Emulator(
            kind, folder, disk, NetworkWire("10.0.2.0/24", "10.0.2.2", "10.0.2.3", ())
        )
        machine.adapters = adapters
        machine.order = list(adapters)
        for name, text in (
            ("systemd.extra-unit.ready.service", _UNIT),
            ("systemd.unit-dropin.multi-user.target", "[Unit]\nWants=ready.service\n"),
        ):
            content = base64.b64encode(text.encode()).decode()
            value = f"io.systemd.credential.binary:{name}={content}"
            machine.extras += ["-smbios", f"type=11,value={value}"]
        begin = time.monotonic()
        machine.power_on()
        try:
            while _READY.encode() not in machine.console.read_bytes():
                if time.monotonic() > begin + BOOT_TIMEOUT_S:
                    raise UserError(f"the plain machine did not start; see {machine.console}")
                time.sleep(0.1)
            return time.monotonic() - begin
        finally:
            machine.power_cut()


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory(prefix="measure-boats-") as work:
        folder = Path(work) / "boats"
        create_club(folder)
        club = Club(folder)
        club.card("kittiwake")
        profile = club.open_boat("kittiwake").boat.profile
        kind = board(profile.board)
        adapters = derive(profile).adapters
        plain.disk(kind)
        ours, theirs, memory = [], [], []
        for _ in range(RUNS):
            seconds, used = start_ours(club)
            ours.append(seconds)
            memory.append(used)
            theirs.append(start_theirs(kind, adapters))
    print(
        Ratio(
            "power-on to the first sentence on the tablet / the same packages to multi-user",
            statistics.median(ours),
            statistics.median(theirs),
            1.25,
        ).line()
    )
    print(Amount("memory in use after starting", statistics.median(memory), 160, "MiB").line())


if __name__ == "__main__":
    main()
