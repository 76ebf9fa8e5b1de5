# SPDX-License-Identifier: GPL-3.0-or-later
"""The JSON Schema accepts the demo club as it stands in its files, and refuses mistakes."""

from __future__ import annotations

import json

import jsonschema
import pytest
import yaml

from provision.paths import shipped
from provision.profile.schema import schema


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    made = json.loads(json.dumps(schema()))
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
        {"clock": {"from": ["gnss"]}},
        {"log": {"keep": "30 days", "cap": "2 GB"}},
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
        {"links": {"wind": {"baud": 4800}}},
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
    ],
)
def test_mistakes_do_not(validator: jsonschema.Draft202012Validator, wrong: object) -> None:
    assert not validator.is_valid(wrong)
