# SPDX-License-Identifier: GPL-3.0-or-later
"""The suite that proves a boat expects of it what the profile asks for."""

from __future__ import annotations

import itertools
import json
import re

import pytest

from provision.onboard.feed.config import parse
from provision.onboard.feed.nmea0183.sentence import frame
from tests.boat import listen
from tests.boat import test_feed as feed_aboard
from tests.boat import test_ports as ports_aboard
from tests.support.render_rig import BOATS, Render, profile, text


@pytest.mark.parametrize("boat", BOATS)
def test_the_suite_aboard_expects_what_the_firewall_opens(rendered: Render, boat: str) -> None:
    rules = text(rendered(**BOATS[boat]), "/etc/nftables.conf")
    chain = rules[rules.index("chain aboard {") :].partition("\n\t}")[0]
    opened = {
        (protocol, int(port))
        for protocol, ports in re.findall(r"(tcp|udp) dport \{? ?([\d, ]+)", chain)
        for port in ports.split(",")
    }
    plain = profile(**BOATS[boat]).model_dump(mode="json")
    assert ports_aboard.expected(plain) - {("udp", 68)} == opened


def test_the_suite_aboard_knows_inputs_from_senders() -> None:
    said = """\
udp UNCONN 0 0 239.192.0.4:60004 0.0.0.0:*
udp UNCONN 0 0 0.0.0.0:45123 0.0.0.0:*
tcp LISTEN 0 5 0.0.0.0:50000 0.0.0.0:*
udp UNCONN 0 0 127.0.0.1:323 0.0.0.0:*
"""
    wanted = {("udp", 60004)}
    assert ports_aboard.sockets(said, range(32768, 61000), wanted) == {
        ("udp", 60004),
        ("tcp", 50000),
    }
    assert ports_aboard.sockets(said, range(32768, 61000), set()) == {("tcp", 50000)}


GSV = {"formatter": "GSV"}
FILTERS = [
    None,
    {"only": [GSV]},
    {"but": [GSV]},
    {"but": [{"formatter": "GSV", "link": "gnss"}]},
    {"only": [{"link": "gnss"}], "but": [{"formatter": "RMC"}]},
]


@pytest.mark.parametrize(("takes", "gives"), list(itertools.product(FILTERS, FILTERS)))
def test_the_suite_aboard_expects_what_filters_let_through(
    rendered: Render, takes: dict[str, object] | None, gives: dict[str, object] | None
) -> None:
    """The suite expects what the feed's own filters let through, for every talker."""
    links = {
        name: {"adapter": {"serial": name}, "talks": ["RMC", "GSV"], "takes": takes}
        for name in ("gnss", "second")
    }
    changes = {"links": links, "feed": {"gives": {"tcp": gives} if gives else {}}}
    plain = profile(**changes).model_dump(mode="json")
    read = parse.parse(json.loads(text(rendered(**changes), "/etc/boat/feed.json")))
    assert read.outputs.tcp is not None
    for link, formatter in itertools.product(read.links, ("RMC", "GSV")):
        passes = all(
            each.passes(link.name, "GP", formatter)
            for each in (link.filter, read.outputs.tcp.filter)
        )
        assert feed_aboard.filtered(plain, link.name, formatter) != passes


def test_the_suite_aboard_expects_the_believed_source_alone() -> None:
    plain = profile(**BOATS["busy"]).model_dump(mode="json")
    links = feed_aboard.awaited(plain)
    state = {
        "believed": {"position": {"source": "gnss-2"}, "heading": {"source": None}},
        "links": {name: {"rates": dict.fromkeys(sent, 1.0)} for name, sent in links.items()},
    }
    expected = listen.expected_sentences({"links": links}, state)
    assert expected == {
        "gnss": [],
        "gnss-2": ["RMC", "ZDA"],
        "pilot": ["HDG"],
        "plotter": ["APB"],
    }
    state["links"]["pilot"]["rates"] = {}
    assert listen.expected_sentences({"links": links}, state)["pilot"] == []


def test_the_suite_aboard_does_not_count_on_a_sentence_that_one_talkers_filter_may_stop() -> None:
    plain = profile(feed={"gives": {"tcp": {"but": [{"talker": "GP"}]}}}).model_dump(mode="json")
    assert feed_aboard.filtered(plain, "gnss", "RMC")
    plain = profile(feed={"gives": {"tcp": {"only": [{"talker": "GP"}]}}}).model_dump(mode="json")
    assert feed_aboard.filtered(plain, "gnss", "RMC")


@pytest.mark.parametrize("allowed", [{}, {"links": True}, {"inputs": True}])
def test_the_suite_aboard_takes_long_sentences_where_they_are_allowed(
    allowed: dict[str, bool],
) -> None:
    links = {"gnss": {"adapter": {"serial": "A1"}, "talks": ["RMC"], "long": "links" in allowed}}
    links["backbone"] = {"can": "can0", "talks": ["heading"]}
    inputs = {"ais": {"tcp": "10.47.1.60:10110", "long": "inputs" in allowed}}
    plain = profile(links=links, inputs=inputs).model_dump(mode="json")
    most = feed_aboard.longest(plain)
    usual, long = (
        frame(f"$IITXT,01,01,01,{'x' * (length - len('$IITXT,01,01,01,*00') - 2)}").decode()
        for length in (82, 83)
    )
    assert feed_aboard.formatter(usual.rstrip(), most) == "TXT"
    assert feed_aboard.formatter(long.rstrip(), most) == ("TXT" if allowed else None)
