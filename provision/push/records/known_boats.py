# SPDX-License-Identifier: GPL-3.0-or-later
"""Remember on this computer where and when a boat answered, and with which host key.

The record holds no secret. Without it, only the boat's last address and the time of its last
answer are unknown.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from provision.errors import UserError
from provision.paths import state
from provision.profile.secrets import private_file
from provision.ssh.endpoint import Endpoint


@dataclass(frozen=True)
class KnownBoat:
    """Hold what is known of a boat from its last answer.

    `seen` is in seconds since 1970. `host_key` is the public host key that the boat is known to
    show and to have kept. Keys from before a rotation are not accepted after that.
    """

    endpoint: Endpoint
    seen: float
    kept: str = ""
    host_key: str = ""


def record_path(profile: Path, kind: str = "boats") -> Path:
    """Return the path of the record about the boat with this profile.

    The path depends on the profile's folder, since boats of two clubs may share a name. The
    `kind` is `boats` for a boat's answers, and `cards` for the card that was built.
    """
    folder = hashlib.sha256(bytes(profile.resolve().parent)).hexdigest()[:12]
    return state() / kind / f"{profile.stem}-{folder}.json"


def recall(profile: Path) -> KnownBoat | None:
    """Read what is known of the boat with this profile; None when nothing is."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        raw = json.loads(record_path(profile).read_text(encoding="utf-8"))
        # Version 0.1 wrote the endpoint as `place`.
        at = raw["endpoint"] if "endpoint" in raw else raw["place"]
        endpoint = Endpoint(str(at["host"]), int(at["port"]))
        return KnownBoat(endpoint, float(raw["seen"]), str(raw["kept"]), str(raw["host_key"]))
    return None


def remember(profile: Path, known: KnownBoat) -> None:
    """Write down what is known of a boat. A disk that refuses stops no push."""
    file = record_path(profile)
    record = {
        "endpoint": asdict(known.endpoint),
        "seen": known.seen,
        "kept": known.kept,
        "host_key": known.host_key,
    }
    with contextlib.suppress(OSError, UserError):
        file.parent.mkdir(mode=0o700, exist_ok=True)
        private_file.write(file, json.dumps(record).encode(), replace=True)
