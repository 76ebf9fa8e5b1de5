# SPDX-License-Identifier: GPL-3.0-or-later
"""What a profile says is plugged in where becomes plain data, in the order of drawing."""

from __future__ import annotations

import pytest

from provision.paper.wiring import Plug, read_wiring
from provision.paper.words import describe_data, join
from tests.support.paper_rig import make_changes
from tests.support.render_rig import BOATS, profile


def plugs(**changes: object) -> dict[str, Plug]:
    return {
        line.name: plug for plug in read_wiring(profile(**changes)).plugs for line in plug.lines
    }


def test_links_on_one_chip_share_a_plug_in_the_order_of_its_lines() -> None:
    links = {
        "log": {"adapter": {"serial": "Q", "interface": 3}, "talks": ["VHW"]},
        "gnss": {"adapter": {"serial": "G"}, "talks": ["RMC"]},
        "wind": {"adapter": {"serial": "Q", "interface": 0}, "talks": ["MWV"]},
    }
    found = read_wiring(profile(links=links)).plugs
    assert [(plug.label, [(line.name, line.number) for line in plug.lines]) for plug in found] == [
        ("Q", [("wind", 1), ("log", 4)]),
        ("G", [("gnss", None)]),
    ]


def test_only_an_adapter_known_by_its_socket_has_to_stay_there() -> None:
    links = {
        "gnss": {"adapter": {"port": "1-1.3"}, "talks": ["RMC"]},
        "wind": {"adapter": {"serial": "W"}, "talks": ["MWV"]},
        "backbone": {"can": "can0", "talks": ["depth"]},
    }
    found = plugs(links=links)
    assert {name: (plug.fixed, plug.socket) for name, plug in found.items()} == {
        "gnss": (True, "1-1.3"),
        "wind": (False, ""),
        "backbone": (False, "can0"),
    }


def test_arrows_point_at_the_listener() -> None:
    links = {
        "gnss": {"adapter": {"serial": "G"}, "talks": ["RMC"]},
        "pilot": {"adapter": {"serial": "P"}, "talks": ["HDG"], "listens": ["APB"]},
        "display": {"adapter": {"serial": "D"}, "listens": ["DPT"]},
    }
    lines = read_wiring(profile(links=links)).lines
    assert {line.name: line.arrow for line in lines} == {
        "gnss": "in",
        "pilot": "both",
        "display": "out",
    }


def test_a_network_says_the_sentences_that_the_feed_makes_of_it() -> None:
    (line,) = plugs(**BOATS["busy"])["backbone"].lines
    assert "HDG" in line.says and "DPT" in line.says
    assert (line.speed, line.is_sent) == ("250k", ())


def test_each_input_is_named_by_its_way_in() -> None:
    found = plugs(**BOATS["busy"])
    assert {name: found[name].label for name in BOATS["busy"]["inputs"]} == {
        "ais": "at 10.47.1.60:10110",
        "guests": "to TCP 10111",
        "wind": "to UDP 10112",
        "bridge": "multicast NAVD TGTD",
    }


def test_hubs_devices_and_the_computers_sockets() -> None:
    wiring = read_wiring(profile(**make_changes(4)))
    assert (wiring.computer, wiring.sockets) == ("UEFI mini PC", 4)
    assert [(hub.name, hub.sockets, hub.own_supply) for hub in wiring.hubs] == [("main", 7, True)]
    assert [(one.name, one.supply) for one in wiring.devices] == [("screen", "its own supply")]
    powered = read_wiring(profile(usb={"devices": {"stick": {"milliamps": 200}}}))
    assert powered.devices[0].supply == "at most 200 mA"


@pytest.mark.parametrize(
    ("says", "is_sent", "words"),
    [
        (["RMC", "GGA", "VTG"], [], ("position",)),
        (["HDG"], ["APB", "XTE"], ("heading", "is steered")),
        (["APB", "RMB"], [], ("steering",)),
        (["VDM", "VDO"], [], ("other ships", "own ship")),
        (["DPT", "VHW", "MTW"], [], ("depth", "speed", "sea temperature")),
        (["PXYZ1", "ZZZ"], ["DPT"], ()),
    ],
)
def test_data_in_words(says: list[str], is_sent: list[str], words: tuple[str, ...]) -> None:
    assert describe_data(says, is_sent) == words


def test_names_are_joined_as_in_a_sentence() -> None:
    assert join(["a"]) == "a"
    assert join(iter(["a", "b", "c"]), "or") == "a, b or c"
