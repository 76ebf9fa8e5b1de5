# SPDX-License-Identifier: GPL-3.0-or-later
"""Adapters are read from /sys, and those that cannot be told apart are named."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.errors import UserError
from provision.survey.adapters import Adapter, choose, describe, find_adapters, with_others
from provision.survey.report import PortReport
from provision.survey.words import advise, socket_in_words, with_advice


def plug(sys: Path, tty: str, port: str, serial: str = "", interface: int = 0) -> None:
    """Describe a port of an adapter in a folder like /sys, as the kernel does."""
    usb = sys / "devices/pci0000:00/usb1" / port
    folder = usb / f"{port}:1.{interface}"
    # A USB serial converter has a device of its own. An ACM device has none.
    device = folder if tty.startswith("ttyACM") else folder / tty
    driver = sys / "bus/usb/drivers" / ("cdc_acm" if device == folder else "serial_driver")
    for made in (device, driver, sys / "class/tty" / tty):
        made.mkdir(parents=True, exist_ok=True)
    (device / "driver").symlink_to(driver)
    (folder / "bInterfaceNumber").write_text(f"{interface:02x}\n")
    (usb / "idVendor").write_text("1d6b\n")
    (usb / "idProduct").write_text("0104\n")
    (usb / "product").write_text("Made-up adapter\n")
    if serial:
        (usb / "serial").write_text(f"{serial}\n")
    (sys / "class/tty" / tty / "device").symlink_to(device)


def test_what_the_kernel_says_of_an_adapter(tmp_path: Path) -> None:
    plug(tmp_path, "ttyUSB0", "1-1.3", "KW-01", interface=2)
    assert find_adapters(tmp_path) == [
        Adapter(
            *("/dev/ttyUSB0", "KW-01", "1-1.3", 2, "serial_driver", "1d6b", "0104"),
            product_name="Made-up adapter",
        )
    ]


def test_adapters_come_in_the_order_of_their_sockets_and_nothing_else(tmp_path: Path) -> None:
    for tty, port, interface in (("ttyUSB1", "1-10", 0), ("ttyACM0", "1-2.1", 1)):
        plug(tmp_path, tty, port, interface=interface)
    plug(tmp_path, "ttyUSB0", "1-2.1", interface=0)
    (tmp_path / "class/tty/tty1").mkdir()
    found = [(adapter.device, adapter.driver) for adapter in find_adapters(tmp_path)]
    assert found == [
        ("/dev/ttyUSB0", "serial_driver"),
        ("/dev/ttyACM0", "cdc_acm"),
        ("/dev/ttyUSB1", "serial_driver"),
    ]


def test_no_adapter_and_no_such_port(tmp_path: Path) -> None:
    (tmp_path / "class/tty").mkdir(parents=True)
    with pytest.raises(UserError, match="no USB serial adapter"):
        choose([], tmp_path)
    with pytest.raises(UserError, match="is not there"):
        choose([str(tmp_path / "absent")], tmp_path)
    assert describe("/dev/ttyS7", tmp_path) == Adapter("/dev/ttyS7")


def test_two_names_of_one_port_are_one(tmp_path: Path) -> None:
    (tmp_path / "port").touch()
    (tmp_path / "by-id").symlink_to("port")
    names = [str(tmp_path / name) for name in ("port", "by-id")]
    assert len(choose(names, tmp_path)) == 1


def test_a_port_is_named_in_any_way(tmp_path: Path) -> None:
    sys, dev = tmp_path / "sys", tmp_path / "dev"
    for number, interface in ((0, 0), (1, 1)):
        plug(sys, f"ttyUSB{number}", "1-1.3", "KW-01", interface)
    plug(sys, "ttyACM0", "1-2")
    (dev / "serial/by-id").mkdir(parents=True)
    for tty in ("ttyUSB0", "ttyUSB1", "ttyACM0"):
        (dev / tty).touch()
    by_id = dev / "serial/by-id/usb-Made-up_adapter_KW-01-if01-port0"
    by_id.symlink_to("../../ttyUSB1")

    def found(*names: str) -> list[tuple[str, int | None]]:
        return [(Path(one.device).name, one.interface) for one in choose([*names], sys, dev)]

    assert found("KW-01") == [("ttyUSB0", 0), ("ttyUSB1", 1)]
    assert found("ttyUSB1") == found(str(dev / "ttyUSB1")) == [("ttyUSB1", 1)]
    assert found(by_id.name) == found(str(by_id)) == [(by_id.name, 1)]
    assert found("1-2") == [("ttyACM0", 0)]
    assert found("ttyUSB1", by_id.name) == [(by_id.name, 1)]
    with pytest.raises(UserError, match="KW-02 is not there") as told:
        choose(["KW-02"], sys, dev)
    assert told.value.hint.endswith(
        "plugged in now: /dev/ttyUSB0 (KW-01), /dev/ttyUSB1 (KW-01), /dev/ttyACM0"
    )


def test_the_same_serial_number_twice() -> None:
    one, two = (Adapter(f"/dev/ttyUSB{n}", "0001", f"1-1.{n}", 0) for n in (2, 3))
    assert advise(one, [one, two]) == [
        "it has the same serial number as /dev/ttyUSB3: label its socket (hub, second socket) "
        "and name it by port, here 1-1.2; the boat's computer may number its sockets otherwise"
    ]


def test_aboard_a_socket_has_the_number_that_a_profile_needs() -> None:
    one = Adapter("/dev/ttyUSB2", "", "1-1.2", 0)
    (told,) = advise(one, [one], aboard=True)
    assert told.endswith("label its socket (hub, second socket) and name it by port, 1-1.2")


def test_no_serial_number() -> None:
    one, two = (Adapter(f"/dev/ttyUSB{n}", "", f"1-{n}", 0, vendor="1d6b") for n in (1, 2))
    assert advise(one, [one, two]) == [
        "its chip has no serial number, and /dev/ttyUSB2 is of the same kind: label its socket "
        "(computer, first socket) and name it by port, here 1-1; the boat's computer may number "
        "its sockets otherwise"
    ]
    assert "of the same kind" not in advise(one, [one])[0]


def test_a_serial_number_of_its_own_and_two_interfaces_of_one_chip() -> None:
    ports = [Adapter(f"/dev/ttyUSB{n}", "KW-01", "1-1.2", n) for n in (0, 1)]
    assert advise(ports[0], ports) == []
    nameless = [Adapter(f"/dev/ttyUSB{n}", "", "1-1.2", n) for n in (0, 1)]
    assert "here 1-1.2, interface 1;" in advise(nameless[1], nameless)[0]


def test_a_serial_number_that_no_profile_can_name() -> None:
    odd = Adapter("/dev/ttyUSB0", "KW 01/$", "1-1", 0)
    assert advise(odd, [odd])[0].startswith("no profile can name its serial number")


def test_a_chosen_adapter_is_compared_with_those_that_are_not(tmp_path: Path) -> None:
    for number in (1, 2):
        plug(tmp_path, f"ttyUSB{number}", f"1-{number}", "0001")
    one = describe("/dev/ttyUSB1", tmp_path)
    known = with_others([one], tmp_path)
    assert [adapter.device for adapter in known] == ["/dev/ttyUSB1", "/dev/ttyUSB2"]
    assert "/dev/ttyUSB2" in advise(one, known)[0]


@pytest.mark.parametrize(
    ("port", "hubs", "words"),
    [
        ("1-3", [], "computer, third socket"),
        ("1-1.2", ["1-1"], "hub, second socket"),
        ("1-1.2", ["1-1", "1-2"], "hub (in computer's first socket) > its second socket"),
        ("2-1.12", ["1-1", "2-1"], "hub (in computer's first socket of bus 2) > its 12th socket"),
    ],
)
def test_sockets_in_words(port: str, hubs: list[str], words: str) -> None:
    assert socket_in_words(port, hubs) == words


def test_what_to_do_about_an_adapter_follows_what_to_do_about_its_line() -> None:
    one = Adapter("/dev/ttyUSB0", "", "1-1.2")
    (report,) = with_advice([PortReport(one, advice=("exchange the two wires",))], [one])
    assert report.advice == ("exchange the two wires", *advise(one, [one]))
