# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that a boat's status and manifest have the shape that this program reads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeGuard

Shape = type | tuple[type, ...] | Mapping[str, "Shape"]

_NONE = type(None)

#: The keys that this program reads of `boat-settings status --json`. A newer boat sends more.
STATUS: Mapping[str, Shape] = {
    "boat": (str, _NONE),
    "board": (str, _NONE),
    "version": (str, _NONE),
    "base": (dict, _NONE),
    "boot": (dict, _NONE),
    "live": (str, _NONE),
    "kept": (str, _NONE),
    "kept_whole": bool,
    "trial": (dict, _NONE),
    "at_work": (str, _NONE),
    "staged": (dict, _NONE),
    "degraded": bool,
    "drift": list,
    "last_return": (dict, _NONE),
    "health": {
        "data": {"writable": bool},
        "ext4_errors": (int, _NONE),
        "undervoltage": (bool, _NONE),
        "memory_available_bytes": (int, _NONE),
    },
}
TRIAL: Mapping[str, Shape] = {
    "owner": str,
    "digest": str,
    "phase": str,
    "seconds_left": (int, float),
}
STAGED: Mapping[str, Shape] = {"digest": str}
DRIFT: Mapping[str, Shape] = {"path": str, "what": str}
MANIFEST: Mapping[str, Shape] = {"files": dict}

#: The limit of all numbers in a status: bytes of memory, seconds, counts.
MAX_NUMBER = 2**63


def understood(status: object, manifest: object) -> bool:
    """Tell whether `assess`, the console and a push can read both answers."""
    return understood_status(status) and fits(manifest, MANIFEST)


def understood_status(status: object) -> TypeGuard[dict[str, Any]]:
    """Tell whether a boat's status has every key that this program reads, in the right type."""
    if not fits(status, STATUS):
        return False
    assert isinstance(status, dict)
    return (
        (status["trial"] is None or fits(status["trial"], TRIAL))
        and (status["staged"] is None or fits(status["staged"], STAGED))
        and fits((status["last_return"] or {}).get("reason", ""), str)
        and all(fits(entry, DRIFT) for entry in status["drift"])
    )


def not_understood(status: object) -> str:
    """Say that a boat's answer has another shape than this program reads."""
    return f"answers, but is not understood (version {version(status)})"


def version(status: object) -> str:
    """Return the version that the boat names, or 'unknown'."""
    found = status.get("version") if isinstance(status, dict) else None
    return found[:40] if isinstance(found, str) and found.isprintable() and found else "unknown"


def fits(value: object, shape: Shape) -> bool:
    """Tell whether a value has the types of a shape, and every key that the shape names."""
    if isinstance(shape, Mapping):
        return isinstance(value, dict) and all(
            key in value and fits(value[key], inner) for key, inner in shape.items()
        )
    if isinstance(value, int | float) and not -MAX_NUMBER < value < MAX_NUMBER:
        return False
    return isinstance(value, shape)
