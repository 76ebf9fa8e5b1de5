# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold how to push, and who pushes."""

from __future__ import annotations

import getpass
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from provision.ssh.endpoint import Endpoint


def operator() -> str:
    """Who pushes, as the boat shows it to others who want to: user and machine."""
    return f"{getpass.getuser()}@{socket.gethostname()}"


@dataclass(frozen=True)
class PushOptions:
    """How to push.

    `at` says where boats answer when that is not their own address, `at_once` how many are
    worked on at the same time, `timer` after how many seconds a boat returns by itself.
    `check` changes nothing and says what would change. `stage` leaves the settings for the
    boats' next start. After `stop_after` failures no further boat is begun with (0: never).
    `former` accepts host keys from before a rotation, see `provision.push.plan.ssh_target`.
    """

    at: Mapping[str, Endpoint] = field(default_factory=dict)
    at_once: int = 8
    timer: int = 240
    prove: bool = True
    prove_unchanged: bool = False
    overwrite_drift: bool = False
    check: bool = False
    stage: bool = False
    stop_after: int = 0
    former: bool = False
