# SPDX-License-Identifier: GPL-3.0-or-later
"""Hulls drawn at random: a boat whose owner knows nothing of her wires."""

from __future__ import annotations

from random import Random
from typing import Any

from provision.bench.hull.schema import Hull

#: What one instrument sends, and the baud rates that it may be set to.
KINDS: dict[str, tuple[dict[str, float], tuple[int, ...]]] = {
    "gnss": ({"RMC": 1, "GGA": 1, "VTG": 1}, (4800, 9600, 38400)),
    "wind": ({"MWV": 2}, (4800, 9600)),
    "depth": ({"DPT": 1, "MTW": 0.5}, (4800,)),
    "log": ({"VHW": 1}, (4800, 9600)),
    "compass": ({"HDG": 5}, (4800, 19200)),
    "ais": ({"VDM": 2, "VDO": 0.5}, (38400, 115200)),
}


def draw(boat: str, random: Random) -> Hull:
    """Draw three to five instruments, one of them perhaps on an adapter without a serial number.

    There is always a GNSS receiver. Rates wander, and one instrument may be switched off.
    """
    others = random.sample([kind for kind in KINDS if kind != "gnss"], random.randint(2, 4))
    kinds = ["gnss", *others]
    random.shuffle(kinds)
    bare = random.choice([*others, ""])
    off = random.choice([*(kind for kind in others if kind != bare), ""])
    adapters: dict[str, Any] = {}
    for number, kind in enumerate(kinds, start=1):
        talks, rates = KINDS[kind]
        instrument = {
            "baud": random.choice(rates),
            "talks": talks,
            "wander": round(random.uniform(0, 0.2), 2),
            "powered": kind != off,
        }
        named = {} if kind == bare else {"serial": f"Q{random.randrange(16**7):07X}"}
        adapters[f"a{number}"] = {**named, "port": f"1-{number}", "instruments": [instrument]}
    return Hull.model_validate({"boat": boat, "adapters": adapters})


def kind_of(hull: Hull, adapter: str) -> str:
    """The kind of instrument that was drawn for an adapter."""
    (instrument,) = hull.adapters[adapter].instruments
    return next(kind for kind, (talks, _) in KINDS.items() if talks == instrument.talks)
