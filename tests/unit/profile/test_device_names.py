# SPDX-License-Identifier: GPL-3.0-or-later
"""A device's name in place of a serial number is refused, with what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import TypeAdapter, ValidationError

from provision.profile.schema import device_names
from provision.profile.schema.links import AdapterConfig
from provision.profile.schema.types import InvalidValue


@pytest.fixture
def computer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a computer with a chip that has a number and two ports, and one without a number."""
    monkeypatch.setattr(device_names, "DEV", tmp_path / "dev")
    monkeypatch.setattr(device_names, "SYS", tmp_path / "sys")
    (tmp_path / "dev/serial/by-id").mkdir(parents=True)
    plug(tmp_path, "ttyUSB7", "1-1.2", 0, "KW-01")
    plug(tmp_path, "ttyUSB8", "1-1.2", 1, "KW-01")
    plug(tmp_path, "ttyACM0", "1-1.3", 0)
    by_id = tmp_path / "dev/serial/by-id/usb-Made-up_adapter_KW-01-if01-port0"
    by_id.symlink_to("../../ttyUSB8")
    return tmp_path


def plug(folder: Path, tty: str, port: str, interface: int, serial: str = "") -> None:
    chip = folder / "sys/devices/usb1" / port
    device = chip / f"{port}:1.{interface}" / tty
    device.mkdir(parents=True)
    (device.parent / "bInterfaceNumber").write_text(f"{interface:02x}\n")
    if serial:
        (chip / "serial").write_text(f"{serial}\n")
    (folder / "sys/class/tty" / tty).mkdir(parents=True)
    (folder / "sys/class/tty" / tty / "device").symlink_to(device)
    (folder / "dev" / tty).touch()


def refused(key: str, value: str) -> InvalidValue:
    with pytest.raises(ValidationError) as told:
        TypeAdapter(AdapterConfig).validate_python({key: value})
    error = told.value.errors()[0]["ctx"]["error"]
    assert isinstance(error, InvalidValue)
    return error


@pytest.mark.parametrize("key", ["serial", "port"])
@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("ttyUSB7", "serial: KW-01"),
        ("ttyUSB8", "serial: KW-01, interface: 1"),
        ("usb-Made-up_adapter_KW-01-if01-port0", "serial: KW-01, interface: 1"),
        ("ttyACM0", "port: 1-1.3"),
    ],
)
def test_what_is_plugged_in_is_looked_up(computer: Path, key: str, value: str, told: str) -> None:
    hint = refused(key, value).hint
    assert told in hint.split("; ")[0]
    assert hint.endswith(told) or "may number its sockets otherwise" in hint


def test_a_path_is_looked_up_as_well(computer: Path) -> None:
    for path in ("dev/ttyUSB8", "dev/serial/by-id/usb-Made-up_adapter_KW-01-if01-port0"):
        assert "serial: KW-01, interface: 1" in refused("serial", str(computer / path)).hint


@pytest.mark.parametrize(
    ("value", "message", "hint"),
    [
        ("ttyUSB0", "the kernel's name of a port", "provision survey"),
        ("/dev/ttyACM3", "the kernel's name of a port", "provision survey"),
        ("/dev/boat/gnss", "the path of a device", "provision survey"),
        ("usb-MAKER_AB12-if02", "a name of /dev/serial/by-id", "serial: AB12, interface: 2;"),
        ("/dev/tty\0", "the kernel's name of a port", "provision survey"),
        ("/dev/tty" + "x" * 5000, "the kernel's name of a port", "provision survey"),
    ],
)
def test_what_is_not_plugged_in(value: str, message: str, hint: str) -> None:
    error = refused("serial", value)
    assert message in str(error)
    assert hint in error.hint


def test_a_serial_number_in_place_of_a_socket() -> None:
    assert refused("port", "KW-GNSS-01").hint.endswith("write serial: KW-GNSS-01")
    assert "such as 1-1.3" in refused("port", "first socket").hint


def test_a_serial_number_is_taken() -> None:
    for serial in ("KW-GNSS-01", "tty", "A9USB0", "1-1.3"):
        assert AdapterConfig(serial=serial).serial == serial
