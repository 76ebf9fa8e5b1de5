# SPDX-License-Identifier: GPL-3.0-or-later
"""Describe one emulated board and its plugs, and build the emulator's command line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from provision.bench.hull.schema import HullAdapter
from provision.boards import Board
from provision.commands import find
from provision.errors import UserError

#: UEFI firmware for x86-64, as Debian 12 and 13 name the files.
_CODE = Path("/usr/share/OVMF/OVMF_CODE_4M.fd")
_VARIABLES = _CODE.with_name("OVMF_VARS_4M.fd")


def find_firmware() -> Path:
    """Return the UEFI firmware. Raise UserError if it is not installed."""
    if not _CODE.exists():
        raise UserError("there is no UEFI firmware here", hint="sudo apt-get install ovmf")
    return _CODE


@dataclass(frozen=True)
class PortForward:
    """Forward a TCP port of this machine's loopback to a port of the boat."""

    port: int
    address: str
    to: int


@dataclass(frozen=True)
class NetworkWire:
    """Plug the boat's wired port into a network of the emulator's own."""

    network: str
    """The network with its prefix length."""
    host: str
    """The bench's own address there."""
    names: str
    """The address of the emulator's name service, which the boat does not use."""
    forwards: tuple[PortForward, ...]

    def option(self) -> str:
        """Return the -netdev argument. The boat needs neither its name service nor its DHCP."""
        words = [
            "user",
            "id=wire",
            f"net={self.network}",
            f"host={self.host}",
            f"dns={self.names}",
            "restrict=on",
        ]
        words += [
            f"hostfwd=tcp:127.0.0.1:{forward.port}-{forward.address}:{forward.to}"
            for forward in self.forwards
        ]
        return ",".join(words)


@dataclass(frozen=True)
class DirectBoot:
    """Hold what the emulator is given when it starts a kernel itself."""

    kernel: Path
    initramfs: Path
    command_line: str
    device_tree: Path | None


class Machine:
    """Describe one emulated board. `folder` holds its sockets, disk and console log."""

    def __init__(self, board: Board, folder: Path, disk: Path, wire: NetworkWire) -> None:
        self.board = board
        self.folder = folder
        self.disk = disk
        self.wire = wire
        self.adapters: dict[str, HullAdapter] = {}
        self.devices: dict[str, Path] = {}
        """The device that stands for an adapter's line. An adapter without one is silent."""
        self.order: list[str] = []
        self.networks: list[str] = []
        """CAN links, whose controllers the boat's kernel counts in this order."""
        self.date: datetime | None = None
        """The time of the board's clock chip at power-on. The present if None."""
        self.extras: list[str] = []
        self.direct: DirectBoot | None = None
        self.write_log: Path | None = None
        """The log of every write to the card (QEMU's blklogwrites), or None."""
        self.fast = False
        self.processors = 2
        """How many the board has, where the emulated board leaves the choice."""

    def socket(self, network: str) -> Path:
        """Return the socket where the instruments of an NMEA 2000 network are played."""
        return self.folder / f"link-{network}"

    @property
    def tablet(self) -> Path:
        """Return the socket of the tablet's agent."""
        return self.folder / "tablet"

    @property
    def console(self) -> Path:
        """Return the path of the boat's console log."""
        return self.folder / "console.log"

    def command(self) -> list[str]:
        """Return the emulator's argument list."""
        facts = self.board.bench
        argv = [find(facts.program), "-machine", facts.machine, "-nodefaults"]
        argv += ["-display", "none", "-name", "bench"]
        argv += ["-accel", "kvm"] if self.fast else ["-accel", "tcg,thread=multi"]
        if cpu := "host" if self.fast else facts.cpu:
            argv += ["-cpu", cpu]
        argv += ["-m", str(facts.memory)]
        if facts.card != "sd":
            argv += ["-smp", str(self.processors)]
        argv += self._firmware() if facts.start == "firmware" else self._kernel()
        argv += self._card()
        argv += self._usb()
        argv += ["-netdev", self.wire.option(), "-device", f"{facts.network},netdev=wire"]
        argv += self._ports() + self._controllers()
        if self.date:
            argv += ["-rtc", f"base={self.date.astimezone(UTC):%Y-%m-%dT%H:%M:%S}"]
        argv += ["-qmp", f"unix:{self.folder}/qmp,server=on,wait=off"]
        return argv + self.extras

    def _firmware(self) -> list[str]:
        code, variables = find_firmware(), self.folder / "firmware-variables"
        if not variables.exists():
            variables.write_bytes(_VARIABLES.read_bytes())
        pflash = "if=pflash,format=raw"
        return [
            *("-drive", f"{pflash},unit=0,readonly=on,file={code}"),
            *("-drive", f"{pflash},unit=1,file={variables}"),
        ]

    def _kernel(self) -> list[str]:
        assert self.direct is not None
        argv = [
            *("-kernel", str(self.direct.kernel)),
            *("-initrd", str(self.direct.initramfs)),
            *("-append", self.direct.command_line),
        ]
        return argv + (["-dtb", str(self.direct.device_tree)] if self.direct.device_tree else [])

    def _card(self) -> list[str]:
        if self.board.bench.card == "sd":
            return ["-drive", f"if=sd,format=qcow2,file={self.disk}"]
        device = f"{self.board.bench.card},drive=card"
        argv = [
            *("-blockdev", f"driver=file,node-name=card-file,filename={self.disk}"),
            *("-blockdev", "driver=qcow2,node-name=card,file=card-file"),
        ]
        if self.write_log:
            self.write_log.touch()
            argv += [
                *("-blockdev", f"driver=file,node-name=log,filename={self.write_log}"),
                *("-blockdev", "driver=blklogwrites,node-name=logged,file=card,log=log,"
                  "log-sector-size=512,log-super-update-interval=1"),
            ]  # fmt: skip
            # Writes of zeros are then plain writes, and nothing but writes changes the card.
            device = f"{self.board.bench.card},drive=logged,discard=off,write-zeroes=off"
        return [*argv, "-device", device]

    def _ports(self) -> list[str]:
        facts = self.board.bench
        argv = []
        # Boards differ in the serial port of their console: the first or the second.
        for port in ("first", "second"):
            argv += ["-chardev", f"null,id={port},logfile={self.console},logappend=on"]
            argv += ["-serial", f"chardev:{port}"]
        argv += ["-chardev", f"socket,id=tablet,path={self.tablet},server=on,wait=off"]
        if facts.tablet == "virtserialport":
            argv += ["-device", "virtio-rng-pci", "-device", "virtio-serial-pci"]
            argv += ["-device", "virtserialport,chardev=tablet,name=bench-tablet"]
        for link in self.adapters:
            kind = f"serial,path={self.devices[link]}" if link in self.devices else "null"
            argv += ["-chardev", f"{kind},id=chardev-{link}"]
        # Adapters with a fixed socket come first. The others take any free socket.
        for link in sorted(self.order, key=lambda name: self.adapters[name].port is None):
            words = [f"{key}={value}" for key, value in self._adapter(link).items()]
            argv += ["-device", ",".join(words).replace("driver=", "", 1)]
        if facts.tablet == "usb-serial":
            argv += ["-device", "usb-serial,chardev=tablet,serial=BENCH-TABLET,always-plugged=on"]
        return argv

    def _controllers(self) -> list[str]:
        """Add two controllers to each bus: the boat's, and one for the instruments.

        All controllers of the boat come first, as the kernel counts them in the order found.
        """
        argv = []
        for link in self.networks:
            argv += ["-object", f"can-bus,id=bus-{link}"]
        for link in self.networks * 2:
            argv += ["-device", f"kvaser_pci,canbus=bus-{link}"]
        for link in self.networks:
            argv += [
                "-chardev",
                f"socket,id=can-{link},path={self.socket(link)},server=on,wait=off",
            ]
            argv += ["-device", f"virtserialport,chardev=can-{link},name=bench-can-{link}"]
        return argv

    def _usb(self) -> list[str]:
        """Add the USB controller and its hubs first, so that no adapter takes their sockets."""
        controller = self.board.bench.usb
        argv = ["-usb"] if controller == "builtin" else ["-device", f"{controller},p2=15,p3=4"]
        for hub in sorted(self._hubs(), key=len):
            argv += ["-device", f"usb-hub,port={hub},ports=8"]
        return argv

    def _hubs(self) -> set[str]:
        """Return the ports of hubs that adapters named by their USB path need."""
        hubs = set()
        for adapter in self.adapters.values():
            if adapter.port:
                ports = adapter.port.split("-", 1)[1].split(".")
                hubs |= {".".join(ports[:depth]) for depth in range(1, len(ports))}
        return hubs

    def _adapter(self, link: str) -> dict[str, object]:
        """Return the properties of a link's adapter for -device and device_add."""
        adapter = self.adapters[link]
        properties: dict[str, object] = {
            "driver": "usb-serial",
            "id": f"adapter-{link}",
            "chardev": f"chardev-{link}",
            # Else it plugs itself in and out as its line comes and goes.
            "always-plugged": "on",
        }
        if adapter.serial:
            properties["serial"] = adapter.serial
        if adapter.port:
            properties["port"] = adapter.port.split("-", 1)[1]
        return properties
