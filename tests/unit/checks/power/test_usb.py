# SPDX-License-Identifier: GPL-3.0-or-later
"""Sockets and currents of boards, hubs and devices, inside and outside each limit."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.checks.power import usb
from provision.profile import load
from tests.unit.checks.tern import adapters, boat, found, links


def test_more_adapters_than_sockets(tmp_path: Path) -> None:
    assert found(boat(tmp_path, links(*adapters(3)))) == []
    assert found(boat(tmp_path, links(*adapters(4)))) == [("error", "usb-ports")]


def test_a_chip_with_several_ports_is_one_adapter(tmp_path: Path) -> None:
    entries = [
        f"q{i}: {{adapter: {{serial: QUAD, interface: {i}}}, talks: [RSA]}}" for i in range(4)
    ]
    assert found(boat(tmp_path, links(*entries, *adapters(2)))) == []


@pytest.mark.parametrize(
    ("hubs", "number", "expected"),
    [
        ("{a: {ports: 7, own_supply: true}}", 9, []),
        ("{a: {ports: 7, own_supply: true}}", 10, [("error", "usb-ports")]),
        ("{a: {ports: 16, own_supply: true}}", 18, []),
        # adapters in all: as many as the board has sockets, and one more
        ("{a: {ports: 4, own_supply: false}}", 3, []),
        ("{a: {ports: 4, own_supply: false}}", 4, [("warning", "usb-hub-supply")]),
        ("{a: {ports: 4, own_supply: false}}", 6, [("warning", "usb-hub-supply")]),
        ("{a: {ports: 7, own_supply: false}}", 3, [("error", "usb-power.a")]),
        # two hubs and ten adapters from 1200 mA
        (
            "{a: {ports: 4, own_supply: false}, b: {ports: 4, own_supply: false}}",
            9,
            [("warning", "usb-hub-supply")],
        ),
        (
            "{a: {ports: 4, own_supply: false}, b: {ports: 4, own_supply: false},"
            " c: {ports: 4, own_supply: false}}",
            9,
            [("error", "usb-power"), ("warning", "usb-hub-supply")],
        ),
    ],
)
def test_hubs(tmp_path: Path, hubs: str, number: int, expected: list[tuple[str, str]]) -> None:
    """The board has 4 ports and 1.2 A (board maker's hardware documentation, from memory)."""
    tern = boat(tmp_path, links(*adapters(number)), ("access:", f"usb: {{hubs: {hubs}}}\naccess:"))
    assert found(tern) == expected


def test_more_hubs_than_sockets(tmp_path: Path) -> None:
    hubs = ", ".join(f"h{i}: {{ports: 4, own_supply: true}}" for i in range(5))
    tern = boat(tmp_path, ("access:", f"usb: {{hubs: {{{hubs}}}}}\naccess:"))
    assert found(tern) == [("error", "usb-ports")]


def devices(*entries: str) -> tuple[str, str]:
    return "access:", f"usb: {{devices: {{{', '.join(entries)}}}}}\naccess:"


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        # beside one adapter of 100 mA, from 1200 mA and 500 mA a port
        (["stick: {milliamps: 500}"], []),
        (["stick: {}"], []),
        (["screen: {milliamps: 501}"], [("error", "usb-share.screen")]),
        (["screen: {milliamps: 2000, own_supply: true}"], []),
        (["a: {milliamps: 500}", "b: {milliamps: 500}", "c: {milliamps: 100}"], []),
        (
            ["a: {milliamps: 500}", "b: {milliamps: 500}", "c: {milliamps: 101}"],
            [("error", "usb-power")],
        ),
        (
            ["a: {own_supply: true}", "b: {own_supply: true}", "c: {own_supply: true}"],
            [],
        ),
        (
            [f"{one}: {{own_supply: true}}" for one in "abcd"],
            [("error", "usb-ports")],
        ),
    ],
)
def test_devices(tmp_path: Path, entries: list[str], expected: list[tuple[str, str]]) -> None:
    """USB 2.0 specification: at most 500 mA a port. The board's 1.2 A is from memory."""
    assert found(boat(tmp_path, devices(*entries))) == expected


def test_a_hub_with_a_supply_feeds_the_hungriest(tmp_path: Path) -> None:
    usb_key = (
        "access:",
        "usb: {hubs: {a: {ports: 2, own_supply: true}}, "
        "devices: {b: {milliamps: 500}, c: {milliamps: 500}, d: {milliamps: 400}}}\naccess:",
    )
    loads = usb.usb_loads(boat(tmp_path, usb_key))
    assert set(loads.on_hubs) == {"usb.devices.b", "usb.devices.c"}
    assert loads.board_ma == 400 + 100
    assert loads.total_ma == 1500


def test_those_of_more_than_a_unit_load_need_the_boards_own_sockets(tmp_path: Path) -> None:
    """A port of a bus-powered hub gives 100 mA (USB 2.0 specification)."""
    hubs = ", ".join(f"h{i}: {{ports: 2, own_supply: false}}" for i in range(3))

    def with_devices(*milliamps: int) -> load.Boat:
        each = ", ".join(f"d{i}: {{milliamps: {much}}}" for i, much in enumerate(milliamps))
        usb_key = f"usb: {{hubs: {{{hubs}}}, devices: {{{each}}}}}\naccess:"
        return boat(tmp_path, ("access:", usb_key))

    assert found(with_devices(200, 100)) == []
    assert found(with_devices(200, 101)) == [("error", "usb-shares")]


def test_an_adapter_may_draw_more_than_a_unit_load(tmp_path: Path) -> None:
    entries = ["a: {adapter: {serial: A, milliamps: 500}, talks: [RSA]}"]
    assert found(boat(tmp_path, links(*entries))) == []
    entries = ["a: {adapter: {serial: A, milliamps: 501}, talks: [RSA]}"]
    assert found(boat(tmp_path, links(*entries))) == [("error", "usb-share.a")]


def test_the_unit_load_is_that_of_the_specification() -> None:
    """USB 2.0 specification: unit load 100 mA, at most 500 mA from a port."""
    assert usb.UNIT_LOAD_MA == 100
    assert usb.MAX_PORT_MA == 500
    assert usb.UNIT_LOAD_MA * (usb.BUS_POWERED_PORTS + 1) == 500
