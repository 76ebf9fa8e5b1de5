# SPDX-License-Identifier: GPL-3.0-or-later
"""The rendered firewall and name service at work, between hosts in network namespaces."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.support.over import aboard
from tests.support.render_rig import BOATS

from . import small_sea

TABLETS = {"chart-table": {"mac": "02:00:00:12:34:56"}}


def sail(root: Path, *arguments: str) -> dict[str, Any]:
    done = aboard(root, "python3", small_sea.__file__, *arguments)
    assert done.stdout.startswith("{"), done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.fixture
def alone(tree: Callable[..., Path]) -> dict[str, Any]:
    return sail(tree(network={"tablets": TABLETS}))


def test_a_boat_without_an_uplink(alone: dict[str, Any]) -> None:
    assert alone["tcp"] == [22, 53, 10110]
    assert alone["udp"] == [53, 67]
    assert alone["groups"] == []
    # A DHCP server on the wire reaches no tablet; all else does.
    assert alone["from wire to tablet"] == [68, 4000]
    # Refused at once (RFC 1035: 5), not left to time out.
    assert alone["names"] == {
        "kittiwake": "10.47.1.1",
        "kittiwake.boat": "10.47.1.1",
        "kittiwake.local": "10.47.1.1",
        "example.org": "rcode 5",
    }
    fixed, guest = alone["leases"]
    assert fixed["address"] == "10.47.1.204"
    assert 102 <= int(guest["address"].rpartition(".")[2]) <= 203
    for offer in (fixed, guest):
        assert {key: offer[key] for key in ("mask", "router", "names")} == {
            "mask": "255.255.255.0",
            "router": "10.47.1.1",
            "names": "10.47.1.1",
        }


@pytest.mark.parametrize(("boat", "open_ashore"), [("shore", []), ("shore-ssh", [22])])
def test_a_boat_with_an_uplink(
    tree: Callable[..., Path], boat: str, open_ashore: list[int]
) -> None:
    found = sail(tree(**BOATS[boat]), "uplink")
    assert found["tcp from shore"] == open_ashore
    assert found["seen ashore"] == "192.0.2.1"
    assert found["shore to tablet"] is None
    assert found["tcp"] == [22, 53, 10110]
    # No name from ashore leads to the boat's own network, or to who asks (RFC 1035: 3).
    assert found["names"] == {
        "kittiwake.boat": "10.47.1.1",
        "harbour.example": "198.51.100.7",
        "login.example": "192.168.5.1",
        "boat.example": "rcode 3",
        "mixed.example": "rcode 3",
        "loopback.example": "rcode 3",
        "nowhere.example": "rcode 3",
    }


def test_inputs_are_open_on_the_boats_own_network_alone(tree: Callable[..., Path]) -> None:
    inputs = {
        "guests": {"listen": 10111},
        "wind": {"udp": 10112},
        "bridge": {"multicast": ["NAVD"]},
    }
    found = sail(tree(inputs=inputs, network={"wired": "shore"}), "uplink")
    assert found["tcp"] == [22, 53, 10110, 10111]
    assert found["udp"] == [53, 67, 10112]
    assert found["groups"] == [60004]
    assert found["tcp from shore"] == []
    assert found["udp from shore"] == []


OWN = {"chart-table": {"mac": "02:00:00:12:34:56", "own_pass_phrase": True}}
HONEST = {
    "the tablet",
    "the tablet, tagged",
    "the tablet's claim",
    "a guest by itself",
    "a guest by itself, tagged",
    "a wired device by itself",
}


def test_a_tablets_addresses_are_taken_from_its_own_station_alone(
    tree: Callable[..., Path],
) -> None:
    """Only a station that joined by the tablet's pass-phrase can use the tablet's addresses."""
    found = sail(tree(network={"tablets": OWN}), "forge")
    # Without the firewall all of them get through.
    assert all(found["before"].values()), found["before"]
    assert {name for name, through in found["forged"].items() if through} == HONEST


def test_a_tablet_known_by_its_hardware_address_may_be_wired(tree: Callable[..., Path]) -> None:
    found = sail(tree(network={"tablets": TABLETS}), "forge")
    assert {name for name, through in found["forged"].items() if through} == HONEST | {
        "a wired device with both",
        "the same, tagged as well",
        "a wired device with its hardware address",
        "a wired device's claim with both",
    }
