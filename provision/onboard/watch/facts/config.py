# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the configuration of boat-watch: one JSON file.

    {"links": {"gnss": {"kind": "link", "talks": {"RMC": 1.0}}},
     "supply_alarm": "rpi_volt",
     "store": {"folder": "/data/history", "cap": 2097152}}

`kind` is link, network (NMEA 2000) or input. `supply_alarm` is the hwmon driver whose alarm tells
of a supply that is too low, or null. Without `store` the history is in RAM alone. `cap` is in
bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class LinkPromise:
    """Describes what the profile promises of a link or input: sentences a second by formatter."""

    kind: str
    talks: Mapping[str, float]


@dataclass(frozen=True)
class StoreOptions:
    """Names the folder of the history's files, and the bytes of all of them at most."""

    folder: str
    cap: int


@dataclass(frozen=True)
class WatchConfig:
    """Holds what boat-watch is told of the boat."""

    links: Mapping[str, LinkPromise]
    supply_alarm: str | None = None
    store: StoreOptions | None = None


def parse(value: Mapping[str, Any]) -> WatchConfig:
    """Return the configuration in decoded JSON. LookupError or TypeError when a key is missing."""
    store = value.get("store")
    return WatchConfig(
        links={
            name: LinkPromise(one["kind"], dict(one["talks"]))
            for name, one in value["links"].items()
        },
        supply_alarm=value.get("supply_alarm"),
        store=StoreOptions(store["folder"], int(store["cap"])) if store else None,
    )


def load(path: str) -> WatchConfig:
    """Return the configuration in the file at `path`. OSError or ValueError if that fails."""
    with open(path, "rb") as file:
        value = json.load(file)
    try:
        return parse(value)
    except (LookupError, TypeError, AttributeError) as error:
        raise ValueError(f"{path}: {error!r}") from error
