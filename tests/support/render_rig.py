# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats to render, in as few words as a test needs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.secrets.keygen import generate_private_key
from provision.profile.secrets.store import Secrets
from provision.render import File, Settings, render, write

KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIMguC1qBhgWvRN+gCtjg0iu3yxwkuCayK22C0QQZN3S+ mate"
SECRETS = Secrets(
    pass_phrase="canary in a bilge",
    host_key=generate_private_key(),
    own_pass_phrases={"chart-table": "canary on a chart", "mast": "canary up a mast"},
)

Render = Callable[..., Settings]


def profile(**changes: Any) -> Profile:
    """Return a boat with two links; `changes` are laid over its keys, and over those of network."""
    content: dict[str, Any] = {
        "boat": "kittiwake",
        "board": "x86-64",
        "network": {
            "address": "10.47.1.1/24",
            "access_point": {"ssid": "Kittiwake", "country": "GB", "channel": 6},
        },
        "links": {
            "gnss": {"adapter": {"serial": "KW-GNSS-01"}, "talks": ["RMC", "GGA"]},
            "depth": {"adapter": {"serial": "KW-DPTH-02"}, "talks": {"DPT": 2}},
        },
        "access": {"keys": [KEY]},
    }
    content["network"] |= changes.pop("network", {})
    return Profile.model_validate(content | changes)


def boat(folder: Path, **changes: Any) -> Boat:
    """Return the boat of `profile(**changes)`, as if read from kittiwake.yml in `folder`."""
    return Boat(profile(**changes), folder / "kittiwake.yml", {})


@pytest.fixture
def rendered(tmp_path: Path) -> Render:
    """Renders `profile(**changes)`."""

    def make(**changes: Any) -> Settings:
        return render(boat(tmp_path, **changes), SECRETS)

    return make


@pytest.fixture
def tree(tmp_path: Path, rendered: Render) -> Callable[..., Path]:
    """Renders a boat and returns the folder with its files as they lie aboard."""

    def make(**changes: Any) -> Path:
        write(rendered(**changes), tmp_path / "out")
        return tmp_path / "out" / "tree"

    return make


def text(settings: Settings, path: str) -> str:
    """Return the text of one of the boat's files."""
    entry = settings.files[path]
    assert isinstance(entry, File)
    return entry.content.decode()


#: Boats that between them take every turn that a template can.
BOATS: dict[str, dict[str, Any]] = {
    "plain": {},
    "shore": {"network": {"wired": "shore"}},
    "shore-ssh": {
        "network": {"wired": "shore"},
        "access": {"keys": [KEY], "from_shore": True},
    },
    "full": {
        "network": {
            "address": "192.168.77.14/28",
            "access_point": {"ssid": "🐦 #1 $x \"quoted\" 'n' \\", "country": "NO", "channel": 36},
            "tablets": {
                "chart-table": {"mac": "02:00:00:12:34:56"},
                "mast": {"mac": "02:00:00:12:34:57", "own_pass_phrase": True},
            },
        },
        "links": {
            "gnss": {"adapter": {"port": "1-1.3"}, "talks": ["ZDA"]},
            "wind": {"adapter": {"serial": "Q:+._-2", "interface": 0}, "talks": ["MWV"]},
            "depth": {"adapter": {"serial": "Q:+._-2", "interface": 3}, "talks": ["DPT"]},
            "log": {"adapter": {"port": "2-1", "interface": 1}, "talks": ["VHW"]},
        },
        "feed": {"tcp": 20220, "udp": None},
        "page": {"pass_phrase": False},
        "charts": {"cap": "2 GB"},
    },
    "busy": {
        "network": {"tablets": {"chart-table": {"mac": "02:00:00:12:34:56"}}},
        "links": {
            "gnss": {"adapter": {"serial": "A1"}, "talks": {"RMC": 5}, "unchecked": True},
            "gnss-2": {"adapter": {"serial": "A2"}, "talks": ["RMC", "ZDA"], "long": True},
            "pilot": {
                "adapter": {"serial": "A3"},
                "talks": ["HDG"],
                "takes": {"but": ["XTE"]},
                "listens": {"APB": 1, "RMC": 2, "MWV": 1},
                "listens_to": ["wind"],
                "gives": {"only": ["APB", {"link": "gnss", "formatter": "RMC"}]},
            },
            "plotter": {"adapter": {"serial": "A4"}, "talks": ["APB"]},
            "backbone": {"can": "can0", "talks": {"heading": 10, "depth": 2}},
            "engine-room": {"can": "vcan1", "talks": ["time"], "takes": {"but": ["GSV"]}},
        },
        "inputs": {
            "ais": {"tcp": "10.47.1.60:10110", "talks": ["VDM"], "takes": {"only": ["VDM"]}},
            "guests": {"listen": 10111, "unchecked": True},
            "wind": {"udp": 10112, "long": True, "talks": {"MWV": 2}},
            "bridge": {"multicast": ["NAVD", "TGTD"]},
        },
        "feed": {
            "udp": ["10.47.1.61", "10.47.1.62:2000"],
            "multicast": True,
            "gives": {
                "tcp": {"but": ["GSV"]},
                "udp": {"only": ["VDM"]},
                "10.47.1.62:2000": {"but": [{"talker": "GP"}]},
                "multicast": {"only": [{"link": "gnss"}]},
            },
            "prefer": {"position": ["gnss", "gnss-2"], "silence": "5 s"},
        },
        "steering": {
            "link": "pilot",
            "from": ["chart-table", "plotter"],
            "sentences": ["APB"],
        },
        "clock": {"from": ["gnss-2"]},
        "page": True,
        "charts": {},
        "log": {"keep": "14 days", "cap": "1.5 GB"},
    },
}
