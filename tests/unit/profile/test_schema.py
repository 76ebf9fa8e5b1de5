# SPDX-License-Identifier: GPL-3.0-or-later
"""The JSON Schema accepts the demo club as it stands in its files, and refuses mistakes."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from itertools import product
from typing import Any

import jsonschema
import pytest
import yaml
from pydantic import ValidationError

from provision.paths import shipped
from provision.profile.schema.boat import Profile
from provision.profile.schema.json_schema import build_schema


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    made = json.loads(json.dumps(build_schema()))
    jsonschema.Draft202012Validator.check_schema(made)
    return jsonschema.Draft202012Validator(made)


@pytest.mark.parametrize("name", ["club", "dunlin", "kittiwake", "turnstone"])
def test_the_demo_club_passes(validator: jsonschema.Draft202012Validator, name: str) -> None:
    content = yaml.safe_load((shipped("boats") / f"{name}.yml").read_text())
    assert list(validator.iter_errors(content)) == []


@pytest.mark.parametrize(
    "right",
    [
        {"links": {"backbone": {"can": "can0", "talks": ["heading"]}}},
        {"links": {"backbone": {"can": "can0", "talks": {"heading": 10}}}},
        {"inputs": {"ais": {"tcp": "10.47.2.60:10110", "talks": ["VDM"]}}},
        {"inputs": {"radar": {"multicast": ["TGTD"], "takes": {"but": ["GSV", {"talker": "GP"}]}}}},
        {"feed": {"udp": None}},
        {"feed": {"udp": ["10.47.2.60", "10.47.2.61:2000"], "multicast": True}},
        {"feed": {"gives": {"tcp": {"only": ["RMC"]}}}},
        {"feed": {"prefer": {"position": ["gnss"], "silence": "10 s"}}},
        {"steering": {"link": "pilot", "from": ["chart-table"], "sentences": ["APB"]}},
        # The rest of it stands in another file.
        {"steering": {"sentences": ["APB"]}},
        {"links": {"wind": {"baud": 4800, "talks": ["MWV"]}}},
        {"clock": {"from": ["gnss"]}},
        {"log": {"keep": "30 days", "cap": "2 GB"}},
        # What an included file has is dropped.
        {"links": {"gnss": None, "ais": {"talks": {"VDO": None}}}, "accepted": {"steering": None}},
        {"network": {"tablets": {"mate": None}}, "log": None},
    ],
)
def test_what_the_feed_can_do_passes(
    validator: jsonschema.Draft202012Validator, right: object
) -> None:
    assert list(validator.iter_errors(right)) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"bord": "x86-64"},
        {"board": "abacus"},
        {"network": {"access_point": {"chanel": 6}}},
        {"network": {"wired": "ship"}},
        {"links": {"Wind Vane": {"adapter": {"serial": "A"}}}},
        {"links": {"wind": {"adapter": {"serial": "A"}, "baud": 4801}}},
        {"links": {"wind": {"adapter": {"serial": "A"}, "talks": ["mwv"]}}},
        {"links": {"wind": {"adapter": {"serial": "A"}, "talks": {"mwv": 1}}}},
        {"links": {"wind": {"adapter": {"serial": "A"}, "talks": {"MWV": 0}}}},
        {"links": {"backbone": {"can": "can0", "talks": {"heading": 1000}}}},
        {"network": {"address": "10.47.1.1"}},
        {"network": {"access_point": {"ssid": ""}}},
        {"network": {"access_point": {"ssid": "x" * 33}}},
        {"feed": {"tcp": "10110"}},
        {"access": {"keys": ["../operator.pub"]}},
        {"links": {"backbone": {"can": "eth0", "talks": ["heading"]}}},
        {"links": {"backbone": {"can": "can0", "talks": ["HDG"]}}},
        {"links": {"backbone": {"can": "can0", "adapter": {"serial": "A"}, "talks": ["heading"]}}},
        {"inputs": {"ais": {"tcp": "ais:10110"}}},
        {"inputs": {"radar": {"multicast": ["RADAR"]}}},
        {"feed": {"udp": ["host"]}},
        {"feed": {"udp": "10110"}},
        {"feed": {"gives": {"tcp": {"only": ["rmc"]}}}},
        {"feed": {"prefer": {"position": ["gnss"], "silence": "10"}}},
        {"feed": {"prefer": {"place": ["gnss"]}}},
        {"steering": {"senders": ["chart-table"]}},
        {"log": {"cap": "2"}},
        {"network": None},
        {"links": {"gnss": {"adapter": None}}},
    ],
)
def test_mistakes_do_not(validator: jsonschema.Draft202012Validator, wrong: object) -> None:
    assert not validator.is_valid(wrong)


#: A profile that has nearly every key.
FULL: dict[str, Any] = yaml.safe_load("""
boat: tern
board: x86-64
card: {size: 32 GB}
network:
  address: 10.47.9.1/24
  access_point: {ssid: Tern, country: GB, channel: 6}
  wired: boat
  tablets: {chart-table: {mac: "02:00:00:12:34:56"}}
links:
  gnss: {adapter: {serial: A}, talks: [RMC], unchecked: true, long: true}
  wind: {adapter: {port: "1-1.3", interface: 1}, baud: 38400, talks: {MWV: 2}}
  pilot:
    adapter: {serial: B}
    listens: [APB, RMB]
    takes: {but: [GSV]}
    gives: {only: [APB, {talker: GP, formatter: RMB, link: gnss}]}
  backbone: {can: can0, talks: {heading: 10}, takes: {but: [{talker: GP}]}}
inputs:
  ais: {tcp: "10.47.9.60:10110", talks: [VDM]}
  guests: {listen: 10111}
  mast: {udp: 10112}
  bridge: {multicast: [NAVD]}
feed:
  tcp: 10110
  udp: [10.47.9.61, "10.47.9.62:2000"]
  multicast: true
  gives: {tcp: {only: [RMC]}}
  prefer: {position: [gnss, ais], silence: 10 s, steady: 5 min}
steering: {link: pilot, from: [chart-table], sentences: [APB]}
clock: {from: [gnss]}
log: {keep: 30 days, cap: 2 GB}
access: {keys: [operator.pub], from_shore: true}
usb: {hubs: {main: {ports: 7, own_supply: true}}}
accepted: {steering: tried}
""")

ANY = [
    *(None, True, 0, 1, 5.0, 0.5, 177, 70000, "", "x", "tern", "NAVD", "RMC", "PXYZ1", "can1"),
    *("tcp", "32 GB", "0 MB", "1 day", "2 h", "1-1", "10.47.9.7", "10.47.9.7:1", "10.0.0.1/16"),
    *("02:00:00:00:00:00", "mate.pub", [], ["RMC"], ["gnss"], ["10.47.9.7"], {}, {"RMC": 1}),
    *({"serial": "C"}, {"port": "2-1"}, {"only": ["RMC"]}, {"but": []}, {"link": "gnss"}),
    *({"udp": 1}, {"adapter": {"serial": "C"}, "talks": ["RMC"]}, {"mac": "02:00:00:00:00:00"}),
    {"can": "vcan0", "talks": ["depth"]},
]


def paths(part: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the way to each value in a tree."""
    items = part.items() if isinstance(part, dict) else enumerate(part)
    for key, value in items:
        yield (*at, key)
        if isinstance(value, dict | list):
            yield from paths(value, (*at, key))


def with_value(path: tuple[Any, ...], value: object) -> dict[str, Any]:
    """FULL with another value at one place."""
    content = copy.deepcopy(FULL)
    part = content
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    return content


def is_taken(content: dict[str, Any]) -> bool:
    try:
        Profile.model_validate(content)
    except ValidationError:
        return False
    return True


def test_what_the_models_take_passes(validator: jsonschema.Draft202012Validator) -> None:
    """Any value that the models take passes, but not the reverse: a schema counts no octets."""
    taken = [
        (path, value)
        for path, value in product(paths(FULL), ANY)
        # The models leave it to the reader whether there is such a board.
        if path != ("board",) and is_taken(with_value(path, value))
    ]
    assert len(taken) > 200
    assert [case for case in taken if not validator.is_valid(with_value(*case))] == []
