# SPDX-License-Identifier: GPL-3.0-or-later
"""Show how a key of a profile is written, from one whole example."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import yaml

#: A boat with every key that a hint may have to show.
EXAMPLE = """
boat: kittiwake
includes: [club.yml]
board: x86-64
card: {size: 32 GB, endurance: 40 TB}
network:
  address: 10.47.1.1/24
  access_point: {ssid: Kittiwake, country: GB, channel: 6}
  wired: boat
  tablets: {chart-table: {mac: "02:00:00:12:34:56", own_pass_phrase: true}}
links:
  gnss: {adapter: {serial: KW-GNSS-01}, baud: 4800, talks: [RMC, GGA, VTG]}
  depth-log:
    adapter: {serial: KW-DPTH-02, receives_only: true, milliamps: 90}
    baud: 4800
    talks: {DPT: 2, VHW: 1}
    unchecked: true
    long: true
    takes: {only: [DPT, VHW], but: [TXT]}
  wind:
    adapter: {port: "1-1.3", interface: 1}
    baud: 4800
    talks: {MWV: 2}
  autopilot:
    adapter: {serial: KW-PLOT-04}
    baud: 4800
    talks: {HDG: 10}
    listens: [APB, RMB, XTE]
    listens_to: [ais-net]
    gives: {only: [APB, {talker: GP, formatter: RMB, link: gnss}], but: [XTE]}
  backbone: {can: can0, talks: [heading, depth], takes: {only: [HDG], but: [DPT]}}
inputs:
  ais-net: {tcp: "10.47.1.60:10110", talks: [VDM, VDO], takes: {only: [VDM], but: [TXT]}}
  mast: {udp: 10111, unchecked: true, long: true}
  guests: {listen: 10112}
  bridge: {multicast: [NAVD, TGTD]}
feed:
  tcp: 10110
  udp: 10110
  multicast: true
  gives: {udp: {only: [RMC, GSV], but: [GSV]}}
  prefer:
    position: [gnss, ais-net]
    heading: [autopilot, backbone]
    depth: [depth-log, backbone]
    wind: [wind, backbone]
    speed: [depth-log, backbone]
    temperature: [depth-log, mast]
    time: [gnss, ais-net]
    silence: 10 s
    steady: 10 s
steering: {link: autopilot, from: [chart-table], sentences: [APB, RMB, XTE]}
clock: {from: [gnss]}
log: {keep: 30 days, cap: 2 GB}
charts: {cap: 4 GB}
page: {pass_phrase: false}
access: {keys: [operator.pub], from_shore: true}
usb:
  hubs: {main: {ports: 7, own_supply: true}}
  devices: {stick: {milliamps: 200, own_supply: false}}
supply:
  volts: 12
  converter: {efficiency: 0.88, volts: 5.1, amps: 3}
  battery: {ah: 110, usable: 0.5}
  fuse: {amps: 3}
  cable: {metres: 4, mm2: 1.5, celsius: 30, insulation: 70}
  lead: {metres: 1, mm2: 0.5, celsius: 30, insulation: 70}
  watts: 6
  peak_watts: 15
  lowest_volts: 4.63
accepted: {steering: "tried in open water, 3 May"}
"""

#: Keys that let in more than usual. The example of a group leaves them out, since it is copied.
LOOSENING = {"from_shore", "unchecked", "long"}

#: Keys of few boats, which the example of a group leaves out as well.
_SELDOM = {"receives_only", "milliamps"}

#: Characters that people read at a glance.
MAX_EXAMPLE_CHARS = 84


def find_example(key: Sequence[int | str]) -> str:
    """Return how a key is written, such as `channel: 6`, or "" if it is unknown.

    >>> find_example(("links", "any", "talks", "RMC")), find_example(("access", "keys", 0))
    ('talks: [RMC, GGA, VTG]', 'keys: [operator.pub]')
    """
    for length in range(len(key), 0, -1):
        found = (
            _find_part(_tree(), tuple(key[:length])) if isinstance(key[length - 1], str) else None
        )
        if found is not None:
            name, value = found
            return f"{name}: {_flow(value)}"
    return ""


@cache
def _tree() -> Any:
    return yaml.safe_load(EXAMPLE)


def _find_part(part: Any, key: tuple[int | str, ...]) -> tuple[str, Any] | None:
    """Return the name and value at `key`. Take any name that the profile chooses."""
    if not isinstance(part, dict):
        return None
    first, rest = key[0], key[1:]
    others = [name for name in part if rest and name != first]
    for name in [first, *others] if first in part else others:
        found = _find_part(part[name], rest) if rest else (str(name), part[name])
        if found is not None:
            return found
    return None


def _flow(value: Any) -> str:
    """Write a value in one line of YAML. Of a large group, write only the first keys."""
    if isinstance(value, dict):
        value = _usual(value)
    text = yaml.safe_dump(value, default_flow_style=True, sort_keys=False, width=10**6)
    text = text.removesuffix("\n").removesuffix("\n...")
    if isinstance(value, dict) and len(value) > 1 and len(text) > MAX_EXAMPLE_CHARS:
        return _flow(dict(list(value.items())[:-1]))
    return text


def _usual(group: dict[str, Any]) -> dict[str, Any]:
    """Return a group without its loosening and seldom keys, at any depth."""
    return {
        key: _usual(value) if isinstance(value, dict) else value
        for key, value in group.items()
        if key not in LOOSENING | _SELDOM
    }
