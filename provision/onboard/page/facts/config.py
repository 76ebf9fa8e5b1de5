# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the configuration of boat-page: one JSON file.

    {"boat": "kittiwake", "hosts": ["10.47.1.1", "kittiwake"],
     "feed": {"address": "10.47.1.1", "port": 10110},
     "wifi": {"ssid": "Kittiwake", "pass_phrase": "only if the page shows it"},
     "codes": {"wifi": "<svg ...", "page": "<svg ..."},
     "sources": {"gnss": {"kind": "link", "plug": "the adapter KW-GNSS-01", "baud": 4800,
                          "talks": {"RMC": 1.0}, "listens": {}}},
     "steering": {"link": "autopilot", "from": ["chart-table"], "sentences": ["APB"]},
     "tablets": {"chart-table": "10.47.1.50"},
     "charts": "10.47.1.1:8080"}

`hosts` are the names by which a browser may ask, with or without `:80`. `kind` of a source is link,
network (NMEA 2000) or input, `plug` what a person finds at the end of its cable. `talks` and
`listens` map a formatter to sentences a second. `charts` is where tablets fetch
charts. `wifi.pass_phrase`, the codes, `steering` and `charts` may be missing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Rates = Mapping[str, float]


@dataclass(frozen=True)
class Source:
    """Describes a link or input as the profile has it."""

    kind: str
    plug: str
    baud: int | None
    talks: Rates
    listens: Rates


@dataclass(frozen=True)
class Steering:
    """Names the steered link, who may steer it, and by which sentences."""

    link: str
    senders: tuple[str, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class PageConfig:
    """Holds what the page knows of the boat beside the feed's state."""

    boat: str
    hosts: tuple[str, ...]
    feed_address: str
    feed_port: int
    ssid: str
    pass_phrase: str | None = None
    codes: Mapping[str, str] = field(default_factory=dict)
    sources: Mapping[str, Source] = field(default_factory=dict)
    steering: Steering | None = None
    tablets: Mapping[str, str] = field(default_factory=dict)
    charts: str | None = None


def parse(value: Mapping[str, Any]) -> PageConfig:
    """Return the configuration in decoded JSON. LookupError or TypeError when a key is missing."""
    steering = value.get("steering")
    return PageConfig(
        boat=value["boat"],
        hosts=tuple(host.lower() for host in value["hosts"]),
        feed_address=value["feed"]["address"],
        feed_port=value["feed"]["port"],
        ssid=value["wifi"]["ssid"],
        pass_phrase=value["wifi"].get("pass_phrase"),
        codes=dict(value.get("codes", {})),
        sources={
            name: Source(
                kind=one["kind"],
                plug=one["plug"],
                baud=one.get("baud"),
                talks=one.get("talks", {}),
                listens=one.get("listens", {}),
            )
            for name, one in value["sources"].items()
        },
        steering=Steering(steering["link"], tuple(steering["from"]), tuple(steering["sentences"]))
        if steering
        else None,
        tablets=dict(value.get("tablets", {})),
        charts=value.get("charts"),
    )


def load(path: str) -> PageConfig:
    """Return the configuration in the file at `path`. OSError or ValueError if that fails."""
    with open(path, "rb") as file:
        value = json.load(file)
    try:
        return parse(value)
    except (LookupError, TypeError, AttributeError) as error:
        raise ValueError(f"{path}: {error!r}") from error
