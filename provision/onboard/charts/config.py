# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the configuration of boat-charts: one JSON file.

    {"folder": "/data/charts", "cap": 4000000000, "reserve": 2100000000,
     "hosts": ["10.47.1.1:8080", "kittiwake:8080"]}

`cap` is how many bytes all charts may take, `reserve` how many bytes of the partition are for
voyage log, history and settings. `hosts` are the names by which a program may ask.
"""

from __future__ import annotations

import json
from dataclasses import dataclass


@dataclass(frozen=True)
class ChartsConfig:
    """Holds where charts are kept, their bounds in bytes, and the names of the server."""

    folder: str
    cap: int
    reserve: int
    hosts: tuple[str, ...]


def load(path: str) -> ChartsConfig:
    """Return the configuration in the file at `path`. OSError or ValueError if that fails."""
    with open(path, "rb") as file:
        value = json.load(file)
    try:
        hosts = tuple(str(host).lower() for host in value["hosts"])
        return ChartsConfig(str(value["folder"]), int(value["cap"]), int(value["reserve"]), hosts)
    except (LookupError, TypeError) as error:
        raise ValueError(f"{path}: {error!r}") from error
