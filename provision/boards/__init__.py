# SPDX-License-Identifier: GPL-3.0-or-later
"""The onboard computers' models: a board is data, one YAML file each beside this one.

Code branches on what a board can do (`table`, `loader`), never on its name.
"""

from __future__ import annotations

import difflib
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field

from provision.errors import Location, UserError

FOLDER = Path(__file__).parent

#: Reads the boards' files, which ship with the code. In C it takes a tenth of the time.
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class Usb(_Model):
    """Describes what the board's own sockets give."""

    ports: Annotated[int, Field(ge=1)]
    """Sockets that an adapter fits in."""
    milliamps: Annotated[int, Field(ge=100)]
    """Current for all of them together."""
    socket_milliamps: Annotated[int, Field(ge=100)]
    """Current for a single one."""


class Power(_Model):
    """Describes what the board itself draws, without what its USB sockets feed."""

    volts: Annotated[float, Field(ge=1, le=60)]
    """Its nominal voltage."""
    lowest_volts: Annotated[float, Field(ge=1, le=60)]
    """Below this voltage it is no longer reliable."""
    milliamps: Annotated[int, Field(ge=1)]
    """Its usual current at work."""
    peak_milliamps: Annotated[int, Field(ge=1)]
    """Its largest current."""


class Wifi(_Model):
    """Describes what the onboard radio can do as an access point."""

    clients: Annotated[int, Field(ge=1)]
    """How many tablets it serves at once without trouble."""
    bands: tuple[Literal["2.4 GHz", "5 GHz"], ...]
    """Where it can be an access point."""
    frame_protection: bool
    """Whether it protects management frames as an access point (IEEE Std 802.11w)."""


class Emulator(_Model):
    """Describes how the bench plays this board."""

    program: str
    """The emulator's program."""
    machine: str
    """What its -machine gets."""
    cpu: str | None = None
    """The processor when nothing better is there; null for the machine's own."""
    memory: Annotated[int, Field(ge=256)]
    """MiB."""
    start: Literal["firmware", "kernel"]
    """firmware: UEFI finds the card's own loader; kernel: the emulator is handed kernel,
    initramfs, command line (and device tree) out of the card's boot partition."""
    device_tree: bool = False
    """Whether the emulator takes the card's own device tree; a generic machine has one itself."""
    append: str = ""
    """What the emulated machine needs on the kernel's command line, and the real one does not."""
    card: Literal["virtio-blk-pci", "sd"]
    """The device that the card is behind."""
    network: Literal["virtio-net-pci", "usb-net"]
    """The wired port."""
    usb: Literal["qemu-xhci", "builtin"]
    """The USB controller."""
    extras: Literal["smbios", "initramfs"]
    """The way for what the bench adds beside the card."""
    tablet: Literal["virtserialport", "usb-serial"]
    """What the tablet speaks to the bench over."""


class Board(_Model):
    """Describes one model of onboard computer."""

    id: str
    """The kernel's device-tree file name without .dtb, or x86-64."""
    description: str
    architecture: Literal["amd64", "arm64"]
    """Debian's name for it."""
    kernel: str
    """The Debian package that brings the kernel."""
    packages: tuple[str, ...]
    """Debian packages that this board needs beyond every boat's: boot loader and firmware."""
    initramfs_modules: tuple[str, ...]
    """Modules to reach the card, beyond the file systems that every boat needs."""
    table: Literal["gpt", "mbr"]
    """The partition table that its firmware reads."""
    loader: Literal["uefi", "devicetree-firmware"]
    """uefi: the boot partition holds EFI/BOOT; devicetree-firmware: the board's firmware
    takes its own files, kernel, initramfs and device tree from the boot partition."""
    device_tree: str | None = None
    """Where it lies in the kernel package, below usr/lib/linux-image-VERSION."""
    console: tuple[str, ...]
    """What the kernel's `console=` gets, in this order; the last is /dev/console."""
    usb: Usb
    power: Power | None = None
    """None where models differ: the profile's `supply` then says it."""
    wifi: Wifi
    supply_alarm: str | None = None
    """The kernel's hwmon driver that raises an alarm while the supply is too low; null where the
    board does not measure its supply."""
    clock_chip: bool
    """Whether it keeps the time while it is off."""
    bench: Emulator


def names() -> list[str]:
    """The ids of all boards, sorted."""
    return sorted(path.stem for path in FOLDER.glob("*.yml"))


def refuse_unknown(name: str, location: Location | None = None) -> None:
    """Raise UserError at `location`, with the nearest name, when no board is called `name`."""
    known = names()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
        meant = f"did you mean {near[0]}? " if near else ""
        raise UserError(
            f"{name!r} is not a known board",
            location=location,
            hint=f"{meant}The boards are {', '.join(known)}",
        )


def board(name: str, location: Location | None = None) -> Board:
    """The board called `name`. Raise UserError at `location` when there is none."""
    refuse_unknown(name, location)
    return _read(name)


@cache
def _read(name: str) -> Board:
    text = (FOLDER / f"{name}.yml").read_text(encoding="utf-8")
    return Board.model_validate(yaml.load(text, Loader=_LOADER))  # noqa: S506 - both are safe ones
