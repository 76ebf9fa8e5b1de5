# SPDX-License-Identifier: GPL-3.0-or-later
"""Long lists of a profile are not compared pairwise: measured in seconds of the processor."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from provision import checks
from provision.errors import Location, UserError
from provision.profile import load
from provision.profile.yaml.tree import Node

FEW, TIMES = 400, 8

Profile = dict[str, Any]


def _host(number: int) -> str:
    return f"10.{number >> 16 & 255}.{number >> 8 & 255}.{number & 255}"


def _name(number: int) -> str:
    return f"a{number}"


def _formatter(number: int) -> str:
    return f"P{number:05d}"


def _talker(number: int) -> Profile:
    return {"adapter": {"serial": f"S{number}"}, "talks": ["RMC"]}


def _links(count: int) -> Profile:
    return {"links": {_name(n): _talker(n) for n in range(count)}}


def _one_adapter(count: int) -> Profile:
    return {"links": {_name(n): _talker(0) for n in range(count)}}


def _listeners(count: int) -> Profile:
    listen = {"listens": ["APB", "MWV"], "talks": []}
    inputs = {"wind-net": {"tcp": "10.47.1.9:10110", "talks": ["MWV"]}}
    return {"links": {_name(n): _talker(n) | listen for n in range(count)}, "inputs": inputs}


def _ports(count: int) -> Profile:
    ports = (f"1-{n % 99}.{n // 99 % 99}" for n in range(count))
    return {"links": {_name(n): {"adapter": {"port": p}} for n, p in enumerate(ports)}}


def _clashing_can(count: int) -> Profile:
    return {"links": {_name(n): {"can": "can0", "talks": ["depth"]} for n in range(count)}}


def _tablets(count: int) -> Profile:
    macs = (f"02:00:00:{n >> 16:02x}:{n >> 8 & 255:02x}:{n & 255:02x}" for n in range(count))
    return {"network": {"tablets": {_name(n): {"mac": mac} for n, mac in enumerate(macs)}}}


def _udp(count: int) -> Profile:
    return {"feed": {"udp": [_host(n + 1) for n in range(count)]}}


def _gives(count: int) -> Profile:
    hosts = [_host(n + 1) for n in range(count)]
    return {"feed": {"udp": hosts, "gives": {host: {"only": ["RMC"]} for host in hosts}}}


def _gives_nowhere(count: int) -> Profile:
    return {"feed": {"gives": {_host(n + 1): {"only": ["RMC"]} for n in range(count)}}}


def _inputs(count: int) -> Profile:
    return {
        "inputs": {_name(n): {"tcp": f"{_host(n + 1)}:1", "talks": ["RMC"]} for n in range(count)}
    }


def _accepted(count: int) -> Profile:
    return {"accepted": {f"x{n}": "so" for n in range(count)}}


def _talks(count: int) -> Profile:
    return {"links": {"gnss": _talker(1) | {"talks": [_formatter(n) for n in range(count)]}}}


def _wrong_talks(count: int) -> Profile:
    return {"links": {"gnss": _talker(1) | {"talks": [f"x{n}" for n in range(count)]}}}


def _patterns(count: int) -> Profile:
    passes = {"only": [_formatter(n) for n in range(count)], "but": [{"link": "nobody"}] * count}
    return {"links": {"gnss": _talker(1) | {"takes": passes}}}


def _listens_to(count: int) -> Profile:
    listener = {"listens": ["MWV"], "listens_to": [_name(n) for n in range(count)]}
    inputs = {_name(n): {"tcp": f"{_host(n + 1)}:1", "talks": ["MWV"]} for n in range(count)}
    return {"links": {"pilot": _talker(1) | listener}, "inputs": inputs}


def _prefer(count: int) -> Profile:
    names = [_name(n) for n in range(count)]
    return {
        "links": {name: _talker(n) for n, name in enumerate(names)},
        "feed": {"prefer": {"position": names}},
    }


def _clock(count: int) -> Profile:
    names = [_name(n) for n in range(count)]
    return {
        "links": {name: _talker(n) for n, name in enumerate(names)},
        "clock": {"from": names},
    }


def _steering(count: int) -> Profile:
    pilot = {"adapter": {"serial": "P"}, "listens": ["APB"]}
    talkers = {_name(n): _talker(n) | {"talks": ["APB"]} for n in range(count)}
    return {
        "links": {"pilot": pilot, **talkers},
        "steering": {"link": "pilot", "from": [*talkers], "sentences": ["APB"]},
    }


def _hubs(count: int) -> Profile:
    return {"usb": {"hubs": {_name(n): {"ports": 7, "own_supply": False} for n in range(count)}}}


def _unknown_keys(count: int) -> Profile:
    return {f"x{n}": 1 for n in range(count)}


def _null_links(count: int) -> Profile:
    return {"links": {"gnss": _talker(1), **{_name(n): None for n in range(count)}}}


def _two_way(count: int) -> Profile:
    """Devices that may pass on what they hear, and inputs that may bring back what goes out."""
    both = {"talks": ["RMC", "VDM"], "listens": ["RMC", "VDM"]}
    inputs = {f"i{n}": {"tcp": f"{_host(n + 1)}:1", "talks": ["RMC", "VDM"]} for n in range(count)}
    return {"links": {_name(n): _talker(n) | both for n in range(count)}, "inputs": inputs}


def _filtered(count: int) -> Profile:
    names = [_formatter(n) for n in range(count)]
    passes = {"takes": {"but": names}, "gives": {"but": names}}
    both = {"talks": names, "listens": names, **passes}
    links = {name: both | {"adapter": {"serial": name}} for name in "ab"}
    return {"links": links, "log": {}}


LISTS: list[Callable[[int], Profile]] = [
    _links,
    _one_adapter,
    _listeners,
    _ports,
    _clashing_can,
    _tablets,
    _udp,
    _gives,
    _gives_nowhere,
    _inputs,
    _accepted,
    _talks,
    _wrong_talks,
    _patterns,
    _listens_to,
    _prefer,
    _clock,
    _steering,
    _hubs,
    _unknown_keys,
    _null_links,
    _two_way,
    _filtered,
]


def _profile(part: Profile) -> Profile:
    network = {
        "address": "10.47.1.1/16",
        "access_point": {"ssid": "Teal", "country": "GB"},
        **part.get("network", {}),
    }
    whole = {
        "boat": "teal",
        "board": "x86-64",
        "links": {"gnss": _talker(1)},
        "access": {"keys": ["operator.pub"]},
    }
    return {**whole, **part, "network": network}


def _node(value: Any, key: str = "") -> Node:
    """Return what the YAML of a value is read into. The parser takes one step a character."""
    location = Location(Path("teal.yml"), 1, 1, key)
    if isinstance(value, dict):
        inner = {name: _node(v, f"{key}.{name}".lstrip(".")) for name, v in value.items()}
        return Node(inner, location, location)
    if isinstance(value, list):
        return Node([_node(v, f"{key}[{n}]") for n, v in enumerate(value)], location, location)
    return Node(value, location, location, "null" if value is None else str(value))


def _seconds(monkeypatch: pytest.MonkeyPatch, file: Path, part: Profile) -> float:
    """Return the seconds of this process for reading and checking a profile."""
    root = _node(_profile(part))
    monkeypatch.setattr(load, "parse", lambda *_: root)
    gc.collect()
    start = time.process_time()
    with suppress(UserError):
        checks.check([load.read(file)])
    return time.process_time() - start


@pytest.mark.parametrize("part", LISTS)
def test_a_list_of_eight_times_the_length_takes_eight_times_as_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: Callable[[int], Profile]
) -> None:
    file = tmp_path / "teal.yml"
    file.touch()
    few = _seconds(monkeypatch, file, part(FEW))
    many = _seconds(monkeypatch, file, part(FEW * TIMES))
    # Compared pairwise it takes up to 64 times as long. What is below a tenth of a second is no
    # measure, and no harm.
    assert many < 0.1 or many < few * TIMES * 2
