# SPDX-License-Identifier: GPL-3.0-or-later
"""Build an emulated machine from a profile and its card, with everything plugged in."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from functools import partial
from pathlib import Path

from provision.bench.guest import inject
from provision.bench.hull.schema import Hull, HullAdapter
from provision.bench.qemu.kvm import is_usable
from provision.bench.qemu.machine import DirectBoot, NetworkWire, PortForward, find_firmware
from provision.bench.qemu.process import Emulator
from provision.boards import Board
from provision.card.image.identity import boot_partition
from provision.card.layout.bootloader import INITRAMFS, KERNEL
from provision.card.layout.filesystems import read_fat
from provision.commands import find, run
from provision.errors import UserError
from provision.profile.schema.boat import Profile
from provision.profile.schema.page import PAGE_PORT
from provision.profile.yaml.tree import raise_all
from provision.progress import note

#: Size of the bench's own card. An emulated SD card must be a power of two.
CARD_BYTES = 4 * 2**30
SSH_PORT = 22


def check_installed(board: Board) -> None:
    """Raise UserErrors with all programs that such a board's bench lacks here."""
    needed: list[Callable[[], object]] = [
        partial(find, "qemu-img"),
        partial(find, board.bench.program),
        *([find_firmware] if board.bench.start == "firmware" else []),
    ]
    missing = []
    for need in needed:
        try:
            need()
        except UserError as error:
            missing.append(error)
    raise_all(missing)


def build_machine(  # noqa: PLR0913
    profile: Profile,
    hull: Hull,
    board: Board,
    card: Path,
    folder: Path,
    ports: tuple[int, int, int],
    seed: int,
) -> Emulator:
    """Build the board with its card and all adapters of the hull. Use `folder` for files.

    `ports` are the loopback ports that lead to the boat's SSH, feed and page. `seed` shuffles the
    order in which the adapters are plugged in.
    """
    disk = folder / "card.qcow2"
    run("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw",
        "-b", card.resolve(), disk, CARD_BYTES)  # fmt: skip
    emulator = Emulator(board, folder, disk, _build_wire(profile, ports))
    emulator.adapters = {
        name: adapter for name, adapter in hull.adapters.items() if _is_emulated(name, adapter)
    }
    emulator.order = list(emulator.adapters)
    random.Random(seed).shuffle(emulator.order)  # noqa: S311
    emulator.fast = is_usable(board)
    if board.bench.start == "kernel":
        emulator.direct = _build_direct_boot(board, card, folder)
    if board.bench.extras == "smbios":
        emulator.networks = can_networks(hull)
        emulator.extras = inject.smbios(board, folder, emulator.networks)
    for name in hull.networks.keys() - emulator.networks:
        note(f"{name} is not plugged in: the emulator has no such controller")
    return emulator


def _build_wire(profile: Profile, ports: tuple[int, int, int]) -> NetworkWire:
    """Plug this computer into the boat's wired port."""
    network = profile.network
    if network.wired == "boat":
        boat = network.address.ip
        mine = network.address.network
    else:
        # The emulator's DHCP service gives its first client this address.
        mine = type(network.address)("10.0.2.0/24").network
        boat = mine.network_address + 15
    ssh, feed, page = ports
    forwards = [
        PortForward(ssh, str(boat), SSH_PORT),
        PortForward(feed, str(boat), profile.feed.tcp),
    ]
    if profile.page:
        forwards.append(PortForward(page, str(boat), PAGE_PORT))
    # Use low addresses: DHCP never assigns them.
    host, names = itertools.islice((one for one in mine.hosts() if one != boat), 2)
    return NetworkWire(str(mine), str(host), str(names), tuple(forwards))


def _build_direct_boot(board: Board, card: Path, folder: Path) -> DirectBoot:
    """Take from the card's boot partition what the board's firmware would take."""
    boot = boot_partition(card)
    for name in (KERNEL, INITRAMFS):
        (folder / name).write_bytes(read_fat(boot, name))
    if board.bench.extras == "initramfs":
        with (folder / INITRAMFS).open("ab") as file:
            # The kernel wants each archive at a multiple of four bytes.
            file.write(bytes(-file.tell() % 4))
            file.write(inject.second_initramfs(board, folder))
    tree = None
    if board.bench.device_tree and board.device_tree:
        name = board.device_tree.rsplit("/", 1)[-1]
        tree = folder / name
        tree.write_bytes(read_fat(boot, name))
    line = read_fat(boot, "cmdline.txt").decode().strip()
    line = f"{line} {inject.RADIO_OPTIONS} {board.bench.append}".rstrip()
    return DirectBoot(folder / KERNEL, folder / INITRAMFS, line, tree)


def can_networks(hull: Hull) -> list[str]:
    """Return the networks in the kernel's order of their controllers, from can0.

    Return None if an interface has another name: the emulator cannot provide it.
    """
    by_interface = {network.can: name for name, network in hull.networks.items()}
    counted = [by_interface.get(f"can{number}", "") for number in range(len(by_interface))]
    return counted if all(counted) else []


def _is_emulated(name: str, adapter: HullAdapter) -> bool:
    """Tell if the emulator has such an adapter, and say so if not."""
    if adapter.interface is not None:
        note(f"{name} is not plugged in: the emulator has no adapters with several ports")
    elif not adapter.is_emulated:
        note(f"{name} is not plugged in: the emulator has no {adapter.driver} adapters")
    return adapter.is_emulated
