# SPDX-License-Identifier: GPL-3.0-or-later
"""The profile's keys about the feed reach boat-feed, its service and the network."""

from __future__ import annotations

import configparser
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.errors import Location
from provision.onboard.feed.config import models, parse
from provision.onboard.feed.net.subnet import Subnet
from provision.onboard.feed.nmea0183.filters import Filter, Pattern
from provision.profile.leases import divide_network
from provision.profile.yaml import references, uniqueness
from provision.render.feed import build_feed_config
from tests.support.render_rig import BOATS, Render, profile, text

RENDERED = "etc/boat/feed.json"


@pytest.fixture
def busy(tree: Callable[..., Path]) -> models.Config:
    return parse.load(tree(**BOATS["busy"]) / RENDERED)


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
            "udp": [{"address": "10.47.1.255", "port": 10110, "network": "10.47.1.0/24"}],
        },
        "clock": {"socket": "/run/chrony/boat.sock", "links": ["gnss"], "not_before": 1754697600},
        "state": {"pause": "/run/boat-feed/pause.sock", "group": True},
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
    assert pilot.listens == {"APB": 1.0, "RMC": 2.0, "MWV": 1.0}
    assert pilot.listens_to == {"wind"} and not links["plotter"].listens_to
    assert pilot.filter == Filter(None, (Pattern(formatter="XTE"),))
    only = (Pattern(formatter="APB"), Pattern(formatter="RMC", link="gnss"))
    assert pilot.sends == Filter(only)


def test_can_links_make_the_sentences_of_their_kinds(busy: models.Config) -> None:
    assert {can.name: (can.interface, can.talks) for can in busy.cans} == {
        "backbone": ("can0", {"HDG": 10.0, "HDT": 10.0, "ROT": 10.0, "DPT": 2.0}),
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
    assert busy.outputs.tcp is not None and busy.outputs.multicast is not None
    assert busy.outputs.tcp.filter == Filter(None, (Pattern(formatter="GSV"),))
    assert busy.outputs.multicast.interface == "10.47.1.1"
    assert busy.outputs.multicast.network == Subnet.parse("10.47.1.0/24")
    assert busy.outputs.multicast.filter == Filter((Pattern(link="gnss"),))
    # A host's own filter stands for that of all.
    assert [(udp.address, udp.port, udp.filter) for udp in busy.outputs.udp] == [
        ("10.47.1.61", 10110, Filter((Pattern(formatter="VDM"),))),
        ("10.47.1.62", 2000, Filter(None, (Pattern(talker="GP"),))),
    ]


def test_preference_clock_and_log(busy: models.Config) -> None:
    assert busy.prefer == models.PreferOptions({"position": ("gnss", "gnss-2")}, 5.0, 10.0)
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


# --- whatever a profile says -------------------------------------------------------------

SOURCES = st.lists(
    st.sampled_from(["gnss", "pilot", "backbone", "ais", "guests"]), min_size=1, unique=True
)
RATES = st.dictionaries(st.sampled_from(["RMC", "HDG", "PXYZ1"]), st.floats(0.001, 100), min_size=1)
PATTERN = st.sampled_from(
    ["GSV", {"talker": "P"}, {"talker": "GP", "formatter": "RMC"}, {"formatter": "PXYZ1"}]
)
GIVEN = st.one_of(PATTERN, st.sampled_from([{"link": "gnss"}, {"link": "backbone"}]))


def passing(pattern: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    some = st.lists(pattern, min_size=1, max_size=2)
    both = st.fixed_dictionaries({"only": some, "but": some})
    return st.one_of(both, *(st.fixed_dictionaries({way: some}) for way in ("only", "but")))


ALLOWED = {"unchecked": st.booleans(), "long": st.booleans(), "takes": passing(PATTERN)}
WAY = st.sampled_from(
    [
        {"tcp": "10.47.1.60:1"},
        {"listen": 65535},
        {"udp": 10110},
        {"multicast": ["MISC", "PROP"]},
    ]
)


@given(st.data())
def test_boat_feed_takes_all_valid_profiles(data: st.DataObject) -> None:
    def draw(optional: dict[str, Any], **needed: Any) -> dict[str, Any]:
        keys = {name: st.just(value) for name, value in needed.items()}
        found: dict[str, Any] = data.draw(st.fixed_dictionaries(keys, optional=optional))
        return found

    baud = {"baud": st.sampled_from([4800, 115200])}
    gives = {"gives": passing(GIVEN)}
    kinds = data.draw(st.sampled_from([["wind"], {"position": 0.001, "time": 100}]))
    links = {
        "gnss": draw(ALLOWED | baud, adapter={"serial": "A1"}, talks=data.draw(RATES)),
        "pilot": draw(
            ALLOWED | baud | gives, adapter={"port": "1-1"}, listens=["APB", "PXYZ1"], talks=["ZDA"]
        ),
        "backbone": draw({"takes": passing(PATTERN)}, can="can0", talks=kinds),
    }
    inputs = {
        name: draw(ALLOWED | {"talks": RATES}, **data.draw(WAY)) for name in ("ais", "guests")
    }
    outputs = st.sampled_from(["tcp", "udp"])
    lasting = st.sampled_from(["1 s", "2.5 s", "1 h"])
    prefer = st.fixed_dictionaries(
        {"position": SOURCES},
        optional={"wind": SOURCES, "silence": lasting, "steady": lasting},
    )
    sending = {"udp": st.sampled_from([1, ["10.47.1.9"]]), "multicast": st.booleans()}
    filters = {"gives": st.dictionaries(outputs, passing(GIVEN)), "prefer": prefer}
    steering = {"link": "pilot", "from": ["mate"], "sentences": ["APB", "PXYZ1"]}
    logs = st.sampled_from([{}, {"keep": "10000 days", "cap": "999999 GB"}, {"cap": "10 MB"}])
    whole = draw(
        {"log": logs, "steering": st.just(steering), "clock": st.just({"from": ["pilot"]})},
        links=links,
        inputs=inputs,
        feed=draw(sending | filters),
    )
    boat = profile(network={"tablets": {"mate": {"mac": "02:00:00:12:34:56"}}}, **whole)
    if uniqueness.find_duplicates(boat, lambda _: Location(Path("tern.yml"))):
        return
    assert references.find_broken(boat, lambda _: Location(Path("tern.yml"))) == []
    told = build_feed_config(boat, divide_network(boat.network.address, boat.network.tablets))
    read = parse.parse(json.loads(json.dumps(told)))
    assert {link.name for link in (*read.links, *read.cans)} == links.keys()


# --- the service ------------------------------------------------------------------------


def service(settings: Any) -> str:
    return text(settings, "/etc/systemd/system/boat-feed.service")


def test_the_service_may_do_what_it_needs_and_no_more(rendered: Render) -> None:
    plain, busy = service(rendered()), service(rendered(**BOATS["busy"]))
    more = [line for line in busy.splitlines() if line not in plain.splitlines()]
    assert [line for line in more if not line.startswith("#")] == [
        "ExecStartPre=+-/bin/sh -c 'mountpoint -q /data && "
        "exec install -d -m 0770 -g dialout /data/log'",
        "ReadWritePaths=-/data/log",
        "RestrictAddressFamilies=AF_CAN",
    ]
    assert re.search("^SupplementaryGroups=.*dialout", busy, re.MULTILINE)


def test_the_service_outweighs_all_others(tree: Callable[..., Path]) -> None:
    """100 is what a service has that says nothing (systemd.resource-control(5))."""
    weights = {}
    for file in (tree() / "etc/systemd/system").glob("*.service"):
        found = re.search("^CPUWeight=([0-9]+)$", file.read_text(), re.MULTILINE)
        weights[file.stem] = int(found[1]) if found else 100
    assert len(weights) > 1
    assert weights.pop("boat-feed") >= 10 * max(weights.values())


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
