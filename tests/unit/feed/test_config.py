# SPDX-License-Identifier: GPL-3.0-or-later
import json
import re
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.feed.config import parse
from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.nmea0183.filters import Filter, Pattern

LINK = {"device": "/dev/boat/gnss", "baud": 4800, "talks": {"RMC": 1.0, "GGA": 1.0}, "listens": {}}


def test_the_form_that_the_settings_carry() -> None:
    told = parse.parse(
        {
            "links": {"gnss": LINK},
            "outputs": {
                "tcp": {"port": 10110},
                "udp": [{"address": "10.47.1.255", "port": 10110}],
            },
            "clock": {"socket": "/run/chrony/boat.sock", "links": ["gnss"], "not_before": 1.7e9},
        }
    )
    (link,) = told.links
    assert (link.name, link.device, link.baud, link.talks["GGA"]) == (
        "gnss", "/dev/boat/gnss", 4800, 1.0
    )  # fmt: skip
    assert not link.unchecked and not link.long and link.filter == Filter()
    assert told.outputs.tcp is not None and told.outputs.tcp.port == 10110
    assert told.outputs.udp[0].address == "10.47.1.255"
    assert told.clock is not None and told.clock.links == ("gnss",)
    assert told.steering is None
    assert told.state.socket == "/run/boat-feed/state.sock"


def test_everything_but_links_may_be_left_out() -> None:
    told = parse.parse({"links": {}})
    assert told.outputs.tcp is None and told.outputs.udp == () and told.clock is None


def test_filters() -> None:
    keys = {"only": [{"talker": "GP"}], "but": [{"formatter": "GSV", "link": "gnss"}]}
    told = parse.parse({"links": {}, "outputs": {"tcp": keys}})
    assert told.outputs.tcp is not None
    assert told.outputs.tcp.filter == Filter(
        (Pattern(talker="GP"),), (Pattern(formatter="GSV", link="gnss"),)
    )


@pytest.mark.parametrize(
    ("value", "location"),
    [
        ([], "the configuration"),
        ({}, ""),
        ({"links": {"gnss": {}}}, "links.gnss.device: is missing"),
        ({"links": {"gnss": {**LINK, "baud": 4801}}}, "links.gnss.baud: 4801"),
        ({"links": {"gnss": {**LINK, "bauds": 4800}}}, "links.gnss.bauds: is no key"),
        ({"links": {"gnss": {**LINK, "talks": {"RMC": -1}}}}, "links.gnss.talks.RMC: -1"),
        ({"links": {"gnss": {**LINK, "talks": {"RMC": True}}}}, "links.gnss.talks.RMC: True"),
        ({"links": {"gnss": {**LINK, "long": 1}}}, "links.gnss.long: 1 has the wrong type"),
        ({"links": {}, "outputs": {"tcp": {"port": 70000}}}, "outputs.tcp.port: 70000"),
        ({"links": {}, "outputs": {"udp": [{}]}}, "outputs.udp[0].address: is missing"),
        (
            {"links": {}, "outputs": {"udp": [{"address": "10.47.1.255", "network": "10.47.1.0"}]}},
            "outputs.udp[0].network: 10.47.1.0 is no IPv4 network",
        ),
        (
            {"links": {}, "outputs": {"multicast": {"network": "boat/24"}}},
            "outputs.multicast.network: boat/24 is no IPv4 network",
        ),
        ({"links": {"b": {"can": "can0", "long": True}}}, "links.b.long: is no key"),
        ({"inputs": {"net": {}}}, "inputs.net: one of tcp, listen, udp and multicast"),
        ({"inputs": {"net": {"udp": 1, "listen": 2}}}, "inputs.net: one of tcp, listen"),
        ({"inputs": {"net": {"tcp": "10.0.0.1"}}}, "inputs.net.tcp: "),
        ({"inputs": {"net": {"tcp": "host:1"}}}, "inputs.net.tcp: host is no IPv4 address"),
        ({"inputs": {"net": {"multicast": ["NAVX"]}}}, "inputs.net.multicast[0]: NAVX is none of"),
        ({"inputs": {"net": {"multicast": [7]}}}, "inputs.net.multicast[0]: 7 has the wrong type"),
        ({"inputs": {"net": {"udp": 1, "address": "boat"}}}, "inputs.net.address: boat is no IPv4"),
        ({"outputs": {"multicast": {"source": "I00001"}}}, "outputs.multicast.source: I00001"),
        ({"outputs": {"tcp": {"patience": "1"}}}, "outputs.tcp.patience: '1' has the wrong type"),
        ({"outputs": {"tcp": {"clients": 1.0}}}, "outputs.tcp.clients: 1.0 has the wrong type"),
        ({"prefer": {"order": {"tide": []}}}, "prefer.order"),
        ({"log": None, "state": None}, "state: an object was expected"),
        ({"links": {}, "outputs": {"udp": {}}}, "outputs.udp: {} has the wrong type"),
        ({"links": {}, "outputs": {"tcp": {"only": [{}]}}}, "outputs.tcp.only[0]: names neither"),
        ({"links": {}, "clock": {"socket": "x", "links": ["a"]}}, "clock.links: there is no"),
        ({"links": {}, "steering": {"link": "pilot"}}, "steering.link: there is no link pilot"),
        (
            {"links": {"a": LINK}, "steering": {"link": "a", "from": {"x": {}}}},
            "steering.from.x: a sender",
        ),
        (
            {
                "links": {"a": LINK},
                "inputs": {"net": {"udp": 0}},
                "steering": {"link": "a", "from": {"x": {"link": "net"}}},
            },
            "steering.from.x: net is neither a serial link nor an input with tcp",
        ),
    ],
)
def test_each_error_names_its_key(value: Any, location: str) -> None:
    if value == {}:
        assert parse.parse(value).links == ()
        return
    with pytest.raises(ConfigError) as error:
        parse.parse(value)
    assert str(error.value).startswith(location)


def test_the_example_for_a_laptop_can_be_used() -> None:
    readme = (Path(__file__).parents[3] / "README.md").read_text()
    (example,) = re.findall(r"```json\n(.*?)```", readme, re.DOTALL)
    told = parse.parse(json.loads(example))
    assert [link.device for link in told.links] == ["/tmp/gnss"]
    assert told.outputs.tcp is not None and f"TCP:127.0.0.1:{told.outputs.tcp.port}" in readme
    assert f"--socket {told.state.socket}\n" in readme


def test_a_file_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    for text in (None, "{", '{"link": {}}', "\xff"):
        path = tmp_path / "feed.json"
        if text is not None:
            path.write_bytes(text.encode("latin-1"))
        with pytest.raises(ConfigError, match=r"feed\.json: "):
            parse.load(str(path))
    path.write_text(json.dumps({"links": {"gnss": LINK}}))
    assert parse.load(str(path)).links[0].name == "gnss"
