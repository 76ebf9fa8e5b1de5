# SPDX-License-Identifier: GPL-3.0-or-later
"""What this machine remembers about a boat: where and when it answered, and with which key.

None of it is secret, and nothing is lost with it but the time that a boat was last seen and
the last of its addresses.
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
    """How a boat was when it was last seen.

    `seen` is in seconds since 1970. `host_key` is the public host key that it was known to
    show and to have kept; the ones from before a rotation are not accepted after that.
    """

    place: Endpoint
    seen: float
    kept: str = ""
    host_key: str = ""


def record_path(profile: Path, kind: str = "boats") -> Path:
    """The file about the boat with this profile; other clubs may have one of the same name.

    Of the `kind` boats is what they answered, of cards what was built.
    """
    folder = hashlib.sha256(bytes(profile.resolve().parent)).hexdigest()[:12]
    return state() / kind / f"{profile.stem}-{folder}.json"


def recall(profile: Path) -> KnownBoat | None:
    """What is remembered of the boat with this profile; None when nothing is."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        raw = json.loads(record_path(profile).read_text(encoding="utf-8"))
        place = Endpoint(str(raw["place"]["host"]), int(raw["place"]["port"]))
        return KnownBoat(place, float(raw["seen"]), str(raw["kept"]), str(raw["host_key"]))
    return None


def remember(profile: Path, memory: KnownBoat) -> None:
    """Write it down; a disk that refuses is no reason to stop a push."""
    file = record_path(profile)
    with contextlib.suppress(OSError, UserError):
        file.parent.mkdir(mode=0o700, exist_ok=True)
        private_file.write(file, json.dumps(asdict(memory)).encode(), replace=True)
