# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats with as many links as a test of paper needs."""

from __future__ import annotations

from typing import Any

TALKS = (
    {"RMC": 1, "GGA": 1, "VTG": 1},
    {"DPT": 2, "VHW": 1, "MTW": 0.5},
    {"MWV": 2},
    {"VDM": 1, "VDO": 1},
    {"HDG": 10, "ROT": 10},
    {"XDR": 1},
)


def make_links(count: int) -> dict[str, Any]:
    """Return serial links: the fifth is a pilot, the seventh has no serial number.

    From ten on, two share a chip.
    """
    links: dict[str, Any] = {}
    for number in range(1, count + 1):
        adapter: dict[str, Any] = {"serial": f"KW-LINK-{number:02}"}
        if number == 7:
            adapter = {"port": "1-1.4.2"}
        if count >= 10 and number in (8, 9):
            adapter = {"serial": "KW-TWIN-08", "interface": number - 8}
        links[f"instrument-{number}"] = {
            "adapter": adapter,
            "baud": 38400 if number == 4 else 4800,
            "talks": TALKS[number % len(TALKS)],
            **({"listens": ["APB", "RMB", "XTE"]} if number == 5 else {}),
        }
    return links


def make_changes(count: int) -> dict[str, Any]:
    """Return the keys of a boat with so many links, and from four on with much else."""
    if count < 4:
        return {"links": make_links(count)}
    return {
        "links": make_links(count - 1) | {"backbone": {"can": "can0", "talks": ["heading"]}},
        "inputs": {"ais-net": {"tcp": "10.47.1.60:10110", "talks": ["VDM", "RMC"]}},
        "page": True,
        "usb": {
            "hubs": {"main": {"ports": 7, "own_supply": True}},
            "devices": {"screen": {"own_supply": True}},
        },
        "supply": {
            "volts": 12,
            "converter": {"efficiency": 0.88},
            "cable": {"metres": 4, "mm2": 1.5},
            "lead": {"metres": 1, "mm2": 0.5},
            "battery": {"ah": 110},
            "fuse": {"amps": 3},
        },
    }
