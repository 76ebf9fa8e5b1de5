# SPDX-License-Identifier: GPL-3.0-or-later
"""What the profile says of the feed reaches boat-feed, its service and the network."""

from __future__ import annotations

import configparser
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.feed import config, models
from provision.onboard.feed.filters import Filter, Pattern

from .conftest import BOATS, Render, text

RENDERED = "etc/boat/feed.json"


@pytest.fixture
def busy(tree: Callable[..., Path]) -> models.Config:
    return config.load(tree(**BOATS["busy"]) / RENDERED)


def test_a_plain_boats_file_says_no_more_than_it_must(rendered: Render) -> None:
    assert json.loads(text(rendered(), "/etc/boat/feed.json")) == {
        "links": {
            "gnss": {
                "device": "/dev/boat/gnss",
                "baud": 4800,
                "talks": {"RMC": 1.0, "GGA": 1.0},
                "listens": {},
            },
            "depth": {
                "device": "/dev/boat/depth",
                "baud": 4800,
                "talks": {"DPT": 2.0},
                "listens": {},
            },
        },
        "outputs": {
            "tcp": {"port": 10110},
            "udp": [{"address": "10.47.1.255", "port": 10110}],
        },
        "clock": {"socket": "/run/chrony/boat.sock", "links": ["gnss"], "not_before": 1754697600},
    }


def test_links(busy: models.Config) -> None:
    links = {link.name: link for link in busy.links}
    assert list(links) == ["gnss", "gnss-2", "pilot", "plotter"]
    assert {name: (link.unchecked, link.long) for name, link in links.items()} == {
        "gnss": (True, False),
        "gnss-2": (False, True),
        "pilot": (False, False),
        "plotter": (False, False),
    }
    pilot = links["pilot"]
    assert pilot.listens == {"APB": 1.0, "RMC": 2.0}
    assert pilot.filter == Filter(None, (Pattern(formatter="XTE"),))
    only = (Pattern(formatter="APB"), Pattern(formatter="RMC", link="gnss"))
    assert pilot.sends == Filter(only)


def test_can_links_make_the_sentences_of_their_kinds(busy: models.Config) -> None:
    assert {can.name: (can.interface, can.talks) for can in busy.cans} == {
        "backbone": ("can0", {"HDG": 10.0, "HDT": 10.0, "DPT": 2.0}),
        "engine-room": ("vcan1", {"ZDA": 1.0}),
    }
    assert busy.cans[1].filter == Filter(None, (Pattern(formatter="GSV"),))


def test_inputs(busy: models.Config) -> None:
    inputs = {source.name: source for source in busy.inputs}
    assert inputs["ais"].tcp == ("10.47.1.60", 10110)
    assert inputs["ais"].talks == {"VDM": 1.0}
    assert inputs["ais"].filter == Filter((Pattern(formatter="VDM"),))
    assert (inputs["guests"].listen, inputs["guests"].unchecked) == (10111, True)
    assert (inputs["wind"].udp, inputs["wind"].long) == (10112, True)
    assert inputs["bridge"].multicast == ("NAVD", "TGTD")
    # Joined on the boat's own network, whatever leads ashore.
    assert inputs["bridge"].address == "10.47.1.1"


def test_outputs(busy: models.Config) -> None:
    assert busy.tcp is not None and busy.multicast is not None
    assert busy.tcp.filter == Filter(None, (Pattern(formatter="GSV"),))
    assert busy.multicast.interface == "10.47.1.1"
    assert busy.multicast.filter == Filter((Pattern(link="gnss"),))
    # A host's own filter stands for that of all.
    assert [(udp.address, udp.port, udp.filter) for udp in busy.udp] == [
        ("10.47.1.61", 10110, Filter((Pattern(formatter="VDM"),))),
        ("10.47.1.62", 2000, Filter(None, (Pattern(talker="GP"),))),
    ]


def test_preference_clock_and_log(busy: models.Config) -> None:
    assert busy.prefer == models.Prefer({"position": ("gnss", "gnss-2")}, 5.0, 10.0)
    assert busy.clock is not None and busy.clock.links == ("gnss-2",)
    assert busy.log is not None
    assert (busy.log.folder, busy.log.days, busy.log.cap) == ("/data/log", 14, 1_500_000_000)


def test_a_tablet_steers_from_its_lease_alone(rendered: Render, busy: models.Config) -> None:
    assert busy.steering is not None
    assert (busy.steering.link, busy.steering.sentences) == ("pilot", {"APB"})
    tablet, plotter = busy.steering.senders
    assert (tablet.name, tablet.link) == ("chart-table", None)
    assert (plotter.name, plotter.link, plotter.address) == ("plotter", "plotter", None)
    lease = f"dhcp-host={tablet.mac},{tablet.address},chart-table\n"
    assert lease in text(rendered(**BOATS["busy"]), "/etc/dnsmasq.conf")


# --- the service ------------------------------------------------------------------------


def service(settings: Any) -> str:
    return text(settings, "/etc/systemd/system/boat-feed.service")


def test_the_service_may_do_what_it_needs_and_no_more(rendered: Render) -> None:
    plain, busy = service(rendered()), service(rendered(**BOATS["busy"]))
    assert [line for line in busy.splitlines() if line not in plain.splitlines()] == [
        "# By root, and only on the card: were data not there, the log would fill the memory. The",
        "# user has no fixed number, so that the folder belongs to a group; nobody else is in it.",
        "ExecStartPre=+-/bin/sh -c 'mountpoint -q /data && "
        "exec install -d -m 0770 -g dialout /data/log'",
        "ReadWritePaths=-/data/log",
        "RestrictAddressFamilies=AF_CAN",
    ]
    assert re.search("^SupplementaryGroups=.*dialout", busy, re.MULTILINE)


# --- the network ------------------------------------------------------------------------


def test_can_interfaces_run_at_the_networks_rate(rendered: Render) -> None:
    """250 kbit/s: ISO 11783-2 / NMEA 2000."""
    path = "/etc/systemd/network/40-can.network"
    assert path not in rendered().files
    parser = configparser.ConfigParser(interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(text(rendered(**BOATS["busy"]), path))
    assert {name: dict(parser[name]) for name in parser.sections()} == {
        "Match": {"Name": "can0 vcan1"},
        "Link": {"RequiredForOnline": "no"},
        "CAN": {"BitRate": "250K"},
    }


def test_ports_of_inputs_are_kept_free(rendered: Render) -> None:
    path = "/etc/sysctl.d/50-boat.conf"
    assert "reserved" not in text(rendered(), path)
    line = "net.ipv4.ip_local_reserved_ports = 10111,10112,60002,60004\n"
    assert line in text(rendered(**BOATS["busy"]), path)
