# SPDX-License-Identifier: GPL-3.0-or-later
"""Adapters as sysfs shows them, one of each family, laid out in a folder for udev to read.

Run as a program it lays `CHIPS` out in the folder named, and prints for each port of each
chip what the test calls it and its path in there.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

HOST = "devices/pci0000:00/0000:00:02.0/usb1"


@dataclass(frozen=True)
class Chip:
    """Holds an adapter: where it is plugged in, and how it shows its ports."""

    port: str
    serial: str | None
    interfaces: int = 1
    ports: int = 1
    driver: str = "ftdi_sio"


CHIPS = {
    "single": Chip("1-1", "KW-GNSS-01"),
    "behind-hub": Chip("1-2.3", None),
    "interface-each": Chip("1-3", "KW-QUAD-02", interfaces=4),
    "ports-of-one-interface": Chip("1-4", "KW-MULT-03", ports=4, driver="mos7840"),
    "modem-class": Chip("1-5", "KW-ACMS-04", driver="cdc_acm"),
    "stranger": Chip("1-6", "KW-GNSS-011"),
}


def driver_of(port: str) -> str | None:
    """Return the driver of a port as `main` names it; None for one that is on no chip."""
    chip = CHIPS.get(port.partition("/")[0])
    return chip.driver if chip else None


@dataclass
class Sysfs:
    """Makes a folder that looks like /sys."""

    root: Path
    count: int = 0

    def device(self, path: str, kind: str, uevent: str, **attributes: str) -> Path:
        folder = self.root / path
        folder.mkdir(parents=True)
        (folder / "uevent").write_text(uevent)
        for name, value in attributes.items():
            (folder / name).write_text(f"{value}\n")
        subsystem = self.root / ("class" if kind == "tty" else "bus") / kind
        subsystem.mkdir(parents=True, exist_ok=True)
        self.link(folder / "subsystem", subsystem)
        return folder

    def link(self, at: Path, to: Path) -> None:
        at.parent.mkdir(parents=True, exist_ok=True)
        at.symlink_to(os.path.relpath(to, at.parent))

    def plug(self, name: str, chip: Chip) -> list[str]:
        usb = f"{HOST}/{chip.port}"
        serial = {"serial": chip.serial} if chip.serial else {}
        folder = self.device(
            usb,
            "usb",
            "DEVTYPE=usb_device\nDRIVER=usb\n",
            idVendor="0403",
            idProduct="6001",
            bcdDevice="0400",
            product="Adapter",
            **serial,
        )
        (folder / "power").mkdir()
        (folder / "power/control").write_text("")
        found = [f"{name}/usb {usb}"]
        for interface in range(chip.interfaces):
            node = f"{usb}/{chip.port}:1.{interface}"
            self.device(
                node,
                "usb",
                f"DEVTYPE=usb_interface\nDRIVER={chip.driver}\n",
                bInterfaceNumber=f"{interface:02x}",
                bInterfaceClass="ff",
                bInterfaceSubClass="ff",
                bInterfaceProtocol="ff",
            )
            for port in range(chip.ports):
                found.append(f"{name}/{interface}/{port} {self.tty(node, chip, port)}")
        return found

    def tty(self, interface: str, chip: Chip, port: int) -> str:
        acm = chip.driver == "cdc_acm"
        name = f"ttyACM{self.count}" if acm else f"ttyUSB{self.count}"
        number = f"{166 if acm else 188}:{self.count}"
        self.count += 1
        parent = self.root / interface
        if not acm:
            parent = self.device(
                f"{interface}/{name}",
                "usb-serial",
                f"DRIVER={chip.driver}\n",
                port_number=str(port),
            )
            if chip.driver == "ftdi_sio":
                (parent / "latency_timer").write_text("")
        path = f"{parent.relative_to(self.root)}/tty/{name}"
        major, minor = number.split(":")
        node = self.device(path, "tty", f"MAJOR={major}\nMINOR={minor}\nDEVNAME={name}\n")
        self.link(node / "device", parent)
        self.link(self.root / "class/tty" / name, node)
        self.link(self.root / "dev/char" / number, node)
        return path


def main() -> None:
    """Lay everything out below the folder named on the command line."""
    sysfs = Sysfs(Path(sys.argv[1]))
    sysfs.device("devices/pci0000:00/0000:00:02.0", "pci", "DRIVER=xhci_hcd\n")
    sysfs.device(HOST, "usb", "DEVTYPE=usb_device\nDRIVER=usb\n", serial="0000:00:02.0")
    port = "devices/platform/serial8250/tty/ttyS0"
    sysfs.device(port, "tty", "MAJOR=4\nMINOR=64\nDEVNAME=ttyS0\n")
    sysfs.link(sysfs.root / "dev/char/4:64", sysfs.root / port)
    print(f"onboard {port}")
    for name, chip in CHIPS.items():
        print("\n".join(sysfs.plug(name, chip)))


if __name__ == "__main__":
    main()
