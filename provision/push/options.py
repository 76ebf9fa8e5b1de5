# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold the options of a push, and name the operator."""

from __future__ import annotations

import getpass
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from provision.ssh.endpoint import Endpoint


def operator_name() -> str:
    """Name the operator as user and machine. A boat shows that name to other operators."""
    return f"{getpass.getuser()}@{socket.gethostname()}"


@dataclass(frozen=True)
class PushOptions:
    """Hold how to push.

    `at` has the endpoints of boats that do not answer at their own address. `at_once` is the
    number of boats in work at the same time. `timer` is the seconds after which a boat rolls
    back by itself. `dry_run` changes nothing and reports what would change. `stage` leaves the
    settings for the boats' next start. After `stop_after` failures no further boat is started
    (0: never). `former` accepts host keys from before a rotation, see
    `provision.push.plan.ssh_target_of`.
    """

    at: Mapping[str, Endpoint] = field(default_factory=dict)
    at_once: int = 8
    timer: int = 240
    prove: bool = True
    prove_unchanged: bool = False
    overwrite_drift: bool = False
    dry_run: bool = False
    stage: bool = False
    stop_after: int = 0
    former: bool = False
