# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether what a boat says of itself has the shape that this program reads."""

from __future__ import annotations

from collections.abc import Mapping

Shape = type | tuple[type, ...] | Mapping[str, "Shape"]

_NONE = type(None)

#: What is read of `boat-settings status --json`. Keys beside these are a newer boat's.
STATUS: Mapping[str, Shape] = {
    "boat": (str, _NONE),
    "board": (str, _NONE),
    "base": (dict, _NONE),
    "boot": (dict, _NONE),
    "live": (str, _NONE),
    "kept": (str, _NONE),
    "kept_whole": bool,
    "trial": (dict, _NONE),
    "staged": (dict, _NONE),
    "degraded": bool,
    "drift": list,
    "health": {
        "data": {"writable": bool},
        "ext4_errors": (int, _NONE),
        "undervoltage": (bool, _NONE),
    },
}
TRIAL: Mapping[str, Shape] = {"owner": str, "digest": str, "seconds_left": (int, float)}
STAGED: Mapping[str, Shape] = {"digest": str}
DRIFT: Mapping[str, Shape] = {"path": str, "what": str}
MANIFEST: Mapping[str, Shape] = {"files": dict}


def understood(status: object, manifest: object) -> bool:
    """Whether `judge` and the report can read both answers."""
    if not fits(status, STATUS) or not fits(manifest, MANIFEST):
        return False
    assert isinstance(status, dict)
    return (
        (status["trial"] is None or fits(status["trial"], TRIAL))
        and (status["staged"] is None or fits(status["staged"], STAGED))
        and all(fits(one, DRIFT) for one in status["drift"])
    )


def version(status: object) -> str:
    """The version that the boat names, or 'unknown'."""
    found = status.get("version") if isinstance(status, dict) else None
    return found[:40] if isinstance(found, str) and found.isprintable() and found else "unknown"


def fits(value: object, shape: Shape) -> bool:
    """Whether a value has the types of a shape, and every key that it names."""
    if isinstance(shape, Mapping):
        return isinstance(value, dict) and all(
            key in value and fits(value[key], inner) for key, inner in shape.items()
        )
    return isinstance(value, shape)
