# SPDX-License-Identifier: GPL-3.0-or-later
"""Say what to write for a device's name that stands where an adapter is identified.

A kernel's name goes to another adapter after the next start, and a name below /dev/serial holds
more than the serial number. If the device is plugged into this computer, its chip tells.
"""

from __future__ import annotations

import re
from pathlib import Path

DEV, SYS = Path("/dev"), Path("/sys")

#: A link in /dev/serial/by-id: usb-, maker and model and serial number joined by underscores,
#: the interface in hex, and the port of a driver that has several (60-serial.rules of udev).
_BY_ID = re.compile(
    r"(?:.*/)?usb-(?:.*_)?(?P<serial>[^_/]*)-if(?P<interface>[0-9a-f]{2})(-port\d+)?"
)

#: What the kernel calls a serial port: ttyUSB0, ttyACM1, ttyS0, ttyAMA0.
_KERNEL = re.compile(r"tty[A-Z]+\d+")

#: A USB device below /sys: bus, then port numbers. Its interfaces have a colon in their names.
_USB_DEVICE = re.compile(r"\d+-\d+(\.\d+)*")


def explain(value: str) -> tuple[str, str] | None:
    """Return an error message and a hint if `value` is a device's name. None for any other text."""
    by_id = _BY_ID.fullmatch(value)
    if by_id:
        what = "a name of /dev/serial/by-id, not the chip's serial number"
    elif _KERNEL.fullmatch(value) or value.startswith("/dev/tty"):
        what = "the kernel's name of a port, which goes to another adapter at the next start"
    elif value.startswith(f"{DEV}/"):
        what = "the path of a device, not the chip's serial number"
    else:
        return None
    return f"{value} is {what}", _hint(value, by_id)


def _hint(value: str, by_id: re.Match[str] | None) -> str:
    if plugged := _look_up(value):
        return plugged
    if by_id:
        return (
            "its last part is the number, if the chip has one: "
            f"serial: {by_id['serial']}{_interface(int(by_id['interface'], 16))}; "
            "`udevadm info` shows it as ID_SERIAL_SHORT"
        )
    return "plug the adapter in: `provision survey` shows what to write, such as serial: KW-GNSS-01"


def _interface(number: int) -> str:
    return f", interface: {number}" if number else ""


def _look_up(value: str) -> str:
    """Return what to write for a device that is plugged into this computer, or an empty text."""
    try:
        device = next((one for one in _paths(value) if one.exists()), None)
        if device is None:
            return ""
        folder = (SYS / "class/tty" / device.resolve().name / "device").resolve()
        usb = next((one for one in (folder, *folder.parents) if _is_usb(one)), None)
    except (OSError, ValueError, RuntimeError):
        return ""
    if usb is None:
        return ""
    numbers = [_read(one / "bInterfaceNumber") for one in (folder, *folder.parents)]
    number = next((int(one, 16) for one in numbers if re.fullmatch("[0-9a-f]{2}", one)), 0)
    if serial := _read(usb / "serial"):
        return f"here its chip says: serial: {serial}{_interface(number)}"
    return (
        f"its chip has no serial number: write the socket, here port: {usb.name}"
        f"{_interface(number)}; the boat's computer may number its sockets otherwise"
    )


def _paths(value: str) -> list[Path]:
    """Return where a device of that name may be."""
    name = Path(value).name
    return [Path(value)] if "/" in value else [DEV / name, DEV / "serial/by-id" / name]


def _is_usb(folder: Path) -> bool:
    return bool(_USB_DEVICE.fullmatch(folder.name))


def _read(file: Path) -> str:
    try:
        return file.read_text(errors="replace").strip()
    except OSError:
        return ""
