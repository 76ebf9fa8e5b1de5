# SPDX-License-Identifier: GPL-3.0-or-later
"""List the USB serial adapters of this computer, as the kernel describes them below /sys."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from provision.errors import UserError

SYS, DEV = Path("/sys"), Path("/dev")

#: A USB device below /sys: bus, then port numbers. Its interfaces have a colon in their names.
_USB_DEVICE = re.compile(r"\d+-\d+(\.\d+)*")

#: Characters that are taken of a text which a chip reports. Its descriptor holds at most 126.
MAX_CHIP_CHARS = 126


@dataclass(frozen=True)
class Adapter:
    """Describe one port of a USB serial adapter. What the chip does not report is empty."""

    device: str
    """The path of the port, such as /dev/ttyUSB0."""
    serial: str = ""
    port: str = ""
    """The USB path of the socket, such as 1-1.3. Empty when it is no USB device."""
    interface: int | None = None
    """Which of the chip's interfaces, counted from 0."""
    driver: str = ""
    vendor: str = ""
    """Four hexadecimal digits."""
    product: str = ""
    """Four hexadecimal digits."""
    vendor_name: str = ""
    product_name: str = ""

    @property
    def name(self) -> str:
        """Return how the chip calls itself, or its numbers."""
        return " ".join(filter(None, (self.vendor_name, self.product_name))) or self.numbers

    @property
    def numbers(self) -> str:
        """Return the vendor and product numbers, such as 1d6b:0002."""
        return f"{self.vendor}:{self.product}" if self.vendor else ""


def find_adapters(sys: Path = SYS) -> list[Adapter]:
    """List all USB serial adapters by their sockets, and by the interfaces of each."""
    found = [describe(f"/dev/{tty.name}", sys) for tty in (sys / "class/tty").glob("tty*")]
    return sorted((adapter for adapter in found if adapter.port), key=_socket)


def describe(device: str, sys: Path = SYS) -> Adapter:
    """Describe the adapter of one port. `device` may be a link, as below /dev/serial/by-id."""
    tty = sys / "class/tty" / Path(device).resolve().name / "device"
    if not tty.exists():
        return Adapter(device)
    folder = tty.resolve()
    chain = [folder, *folder.parents]
    usb = next((step for step in chain if _USB_DEVICE.fullmatch(step.name)), None)
    if usb is None:
        return Adapter(device, driver=_driver(folder))
    interface = next(
        (
            _read(step / "bInterfaceNumber")
            for step in chain[: chain.index(usb)]
            if (step / "bInterfaceNumber").exists()
        ),
        "",
    )
    return Adapter(
        device,
        serial=_read(usb / "serial"),
        port=usb.name,
        interface=int(interface, 16) if re.fullmatch("[0-9a-f]{2}", interface) else None,
        driver=_driver(folder),
        vendor=_read(usb / "idVendor"),
        product=_read(usb / "idProduct"),
        vendor_name=_read(usb / "manufacturer"),
        product_name=_read(usb / "product"),
    )


def choose(names: list[str], sys: Path = SYS, dev: Path = DEV) -> list[Adapter]:
    """Describe these ports, or all USB serial adapters when none is named.

    A port is named by a path, the kernel's name, a name of /dev/serial/by-id, the chip's serial
    number or its USB socket. Raise UserError when it is not there, or when there is no adapter.
    """
    found = [adapter for name in names for adapter in _find(name, sys, dev)]
    # Names of one port are one port.
    named = {str(Path(adapter.device).resolve()): adapter for adapter in found}
    adapters = [*named.values()] if names else find_adapters(sys)
    if not adapters:
        raise UserError(
            "no USB serial adapter is plugged in",
            hint="plug the adapters in, or name a port: --device PATH",
        )
    return adapters


def _find(name: str, sys: Path, dev: Path) -> list[Adapter]:
    """Return the ports that a name means: of a chip with several ports, all of them."""
    plugged = find_adapters(sys)
    if "/" not in name:
        for known in ("serial", "port"):
            if same := [one for one in plugged if getattr(one, known) == name]:
                return same
    paths = [dev / name, dev / "serial/by-id" / name] if "/" not in name else []
    for path in (*paths, Path(name)):
        if path.exists():
            return [describe(str(path), sys)]
    there = ", ".join(one.device + (f" ({one.serial})" if one.serial else "") for one in plugged)
    hint = f"plug the adapter in; plugged in now: {there or 'none'}"
    raise UserError(f"{name} is not there", hint=hint)


def with_others(chosen: list[Adapter], sys: Path = SYS) -> list[Adapter]:
    """Return the chosen adapters and all others that are plugged in."""
    devices = {str(Path(adapter.device).resolve()) for adapter in chosen}
    return [*chosen, *(one for one in find_adapters(sys) if one.device not in devices)]


def _driver(folder: Path) -> str:
    link = folder / "driver"
    return link.resolve().name if link.exists() else ""


def _read(file: Path) -> str:
    try:
        return file.read_text(errors="replace").strip()[:MAX_CHIP_CHARS]
    except OSError:
        return ""


def _socket(adapter: Adapter) -> tuple[list[int], int, str]:
    numbers = [int(number) for number in re.findall(r"\d+", adapter.port)]
    return numbers, adapter.interface or 0, adapter.device
