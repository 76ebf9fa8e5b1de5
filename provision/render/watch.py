# SPDX-License-Identifier: GPL-3.0-or-later
"""Build /etc/boat/watch.json, which provision/onboard/watch/facts/config.py explains."""

from __future__ import annotations

from provision.boards import board
from provision.onboard.watch.memory.files import CAP_BYTES
from provision.profile.schema.boat import Profile
from provision.profile.schema.links import CanConfig
from provision.render.feed import list_made

Json = dict[str, object]

#: Folder of the history on the data partition. The service may write there.
HISTORY_FOLDER = "/data/history"


def build_watch_config(profile: Profile) -> Json:
    """Build the configuration of boat-watch. A boat with a log keeps the history on its card."""
    made: Json = {
        "links": {
            **{
                name: {"kind": "network", "talks": list_made(link.talks)}
                if isinstance(link, CanConfig)
                else {"kind": "link", "talks": link.talks}
                for name, link in profile.links.items()
            },
            **{
                name: {"kind": "input", "talks": source.talks}
                for name, source in profile.inputs.items()
            },
        },
        "supply_alarm": board(profile.board).supply_alarm,
    }
    if profile.log:
        made["store"] = {"folder": HISTORY_FOLDER, "cap": CAP_BYTES}
    return made
