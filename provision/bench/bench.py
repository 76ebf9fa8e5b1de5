# SPDX-License-Identifier: GPL-3.0-or-later
"""The bench: a virtual boat that boots the boat's own card, unchanged."""

from __future__ import annotations

import contextlib
import random
import shutil
import socket
import tempfile
import time
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from provision.bench import extras
from provision.bench.acceleration import works
from provision.bench.emulator import Direct, Emulator, Forward, Wire, free_ports
from provision.bench.instruments import Instruments
from provision.bench.tablet import Tablet, frequency
from provision.boards import Board
from provision.card.assemble import boot_partition
from provision.card.filesystems import read_fat
from provision.card.loader import INITRAMFS, KERNEL
from provision.errors import UserError
from provision.profile.links import Link
from provision.profile.models import Profile
from provision.profile.secrets import Secrets, psk
from provision.run import run
from provision.steps import note

#: The bench's own card; an emulated SD card must be a power of two.
CARD_SIZE = 4 * 2**30
SSH = 22


class Bench:
    """One virtual boat; use it in a `with`, so that nothing is left running.

    `seed` shuffles the order in which the adapters are plugged in, `date` (aware) is the
    simulated boat's time, the present by default, and `clock_chip` what the board's own clock
    says at every power-on.
    """

    def __init__(  # noqa: PLR0913
        self,
        profile: Profile,
        secrets: Secrets,
        board: Board,
        card: Path,
        *,
        instruments: bool = True,
        seed: int = 0,
        date: datetime | None = None,
        clock_chip: datetime | None = None,
    ) -> None:
        self.profile = profile
        self.secrets = secrets
        self.board = board
        self.folder = Path(tempfile.mkdtemp(prefix="bench-"))
        disk = self.folder / "card.qcow2"
        run("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw",
            "-b", card.resolve(), disk, CARD_SIZE)  # fmt: skip
        self.ssh_port, self.feed_port = free_ports(2)
        self.emulator = Emulator(board, self.folder, disk, self._wire())
        self.emulator.adapters = {
            name: link.adapter
            for name, link in profile.serial_links.items()
            if _emulated(name, link)
        }
        self.emulator.order = list(self.emulator.adapters)
        random.Random(seed).shuffle(self.emulator.order)  # noqa: S311
        self.emulator.fast = works(board)
        if board.bench.start == "kernel":
            self.emulator.direct = self._direct(card)
        self.emulator.date = clock_chip
        if board.bench.extras == "smbios":
            self.emulator.networks = networks(profile)
            self.emulator.extras = extras.smbios(board, self.folder, self.emulator.networks)
        for name in profile.can_links.keys() - self.emulator.networks:
            note(f"{name} is not plugged in: the emulator has no such controller")
        self.tablet = Tablet(self.emulator.tablet)
        self.instruments: Instruments | None = None
        if instruments:
            self.instruments = Instruments(profile, self.sockets(), date=date)

    def _wire(self) -> Wire:
        """Plug the bench into the boat's wired port, at the far end of its network."""
        network = self.profile.network
        if network.wired == "boat":
            boat = network.address.ip
            mine = network.address.network
        else:
            # The emulator's DHCP service gives its first client this address.
            mine = type(network.address)("10.0.2.0/24").network
            boat = mine.network_address + 15
        forwards = (
            Forward(self.ssh_port, str(boat), SSH),
            Forward(self.feed_port, str(boat), self.profile.feed.tcp),
        )
        last = mine.broadcast_address
        return Wire(str(mine), str(last - 1), str(last - 2), forwards)

    def _direct(self, card: Path) -> Direct:
        """Take out of the card's boot partition what the board's firmware would take."""
        boot = boot_partition(card)
        for name in (KERNEL, INITRAMFS):
            (self.folder / name).write_bytes(read_fat(boot, name))
        if self.board.bench.extras == "initramfs":
            with (self.folder / INITRAMFS).open("ab") as file:
                # The kernel wants each archive at a multiple of four bytes.
                file.write(bytes(-file.tell() % 4))
                file.write(extras.second_initramfs(self.board, self.folder))
        tree = None
        if self.board.bench.machine != "virt" and self.board.device_tree:
            name = self.board.device_tree.rsplit("/", 1)[-1]
            tree = self.folder / name
            tree.write_bytes(read_fat(boot, name))
        line = read_fat(boot, "cmdline.txt").decode().strip()
        line = f"{line} {extras.RADIOS} {self.board.bench.append}".rstrip()
        return Direct(self.folder / KERNEL, self.folder / INITRAMFS, line, tree)

    def sockets(self) -> dict[str, Path]:
        """One socket per link, where anybody may play the instrument."""
        return {link: self.emulator.socket(link) for link in self.emulator.links}

    def power_on(self) -> None:
        """Close the breaker."""
        self.emulator.power_on()
        self.tablet.connect()

    def power_cut(self) -> None:
        """Pull the plug."""
        self.tablet.close()
        self.emulator.power_cut()

    def __enter__(self) -> Self:
        self.power_on()
        if self.instruments:
            self.instruments.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.instruments:
            self.instruments.stop()
        self.power_cut()
        if error is None:
            shutil.rmtree(self.folder, ignore_errors=True)

    def wait_for_ssh(self, seconds: float = 240) -> None:
        """Wait until the boat answers SSH."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if not self.emulator.running:
                raise UserError(f"the emulator ended; its console: {self.emulator.console}")
            # The emulator accepts at once; only a banner tells that the boat answers.
            with (
                contextlib.suppress(OSError),
                socket.create_connection(("127.0.0.1", self.ssh_port), timeout=5) as stream,
            ):
                stream.settimeout(5)
                if stream.recv(4) == b"SSH-":
                    return
            time.sleep(0.2)
        raise UserError(f"the boat does not answer SSH; its console: {self.emulator.console}")

    def join(self, seconds: float = 240, mac: str = "") -> dict[str, Any]:
        """Let the tablet join the boat's access point and get an address.

        Another hardware address than its radio's makes another tablet of it.
        """
        self.tablet.wait(seconds)
        point = self.profile.network.access_point
        return self.tablet.ask(
            "join",
            seconds=seconds,
            ssid=point.ssid.encode().hex(),
            psk=psk(self.secrets.pass_phrase, point.ssid),
            frequency=frequency(point.channel),
            mac=mac,
        )

    def read(self, seconds: float = 30, lines: int = 0) -> dict[str, Any]:
        """Let the tablet read the feed."""
        return self.tablet.ask(
            "listen",
            host=str(self.profile.network.address.ip),
            port=self.profile.feed.tcp,
            seconds=seconds,
            lines=lines,
        )

    def where(self) -> dict[str, Any]:
        """How to reach the boat and everything around it."""
        return {
            "boat": self.profile.boat,
            "ssh": {"host": "127.0.0.1", "port": self.ssh_port, "user": "root"},
            "feed": {"host": "127.0.0.1", "port": self.feed_port},
            "links": {link: str(self.emulator.socket(link)) for link in self.emulator.adapters},
            # Struct can_frame, sixteen bytes each, instead of sentences.
            "networks": {link: str(self.emulator.socket(link)) for link in self.emulator.networks},
            "console": str(self.emulator.console),
        }


def networks(profile: Profile) -> list[str]:
    """The CAN links in the order in which the kernel counts their controllers from can0.

    None when an interface is named otherwise: nothing else can be had here.
    """
    by_interface = {link.can: name for name, link in profile.can_links.items()}
    counted = [by_interface.get(f"can{number}", "") for number in range(len(by_interface))]
    return counted if all(counted) else []


def _emulated(name: str, link: Link) -> bool:
    """Whether the emulator has such an adapter."""
    if link.adapter.interface:
        note(f"{name} is not plugged in: the emulator has no adapters with several ports")
        return False
    return True
