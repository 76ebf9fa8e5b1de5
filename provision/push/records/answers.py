# SPDX-License-Identifier: GPL-3.0-or-later
"""Remember after an answer where a boat answered, and its settings and host key."""

from __future__ import annotations

import contextlib
import subprocess
import time

from provision.errors import UserError
from provision.profile.secrets.stolen import record_new_card
from provision.push.deployment import Deployment
from provision.push.records.known_boats import KnownBoat, recall, remember
from provision.push.result import Outcome, PushResult
from provision.render import OpenBoat
from provision.ssh.endpoint import Endpoint, arguments, quoted, ssh

#: Outcomes of pushes in which the boat itself answered.
ANSWERED = (
    *(Outcome.KEPT, Outcome.UNCHANGED),
    Outcome.STAGED,
    Outcome.WOULD_CHANGE,
    Outcome.ROLLED_BACK,
)

#: Seconds that a boat gets to show its host key and accept a login.
LOGIN_TIMEOUT_S = 60


def remember_push(open_boat: OpenBoat, deployment: Deployment, result: PushResult) -> None:
    """Remember where the boat of a push answered."""
    if result.outcome in ANSWERED and result.endpoint is not None:
        has_it = result.outcome in (Outcome.KEPT, Outcome.UNCHANGED)
        remember_answer(
            open_boat, deployment, result.endpoint, deployment.sha256 if has_it else None
        )


def remember_answer(
    open_boat: OpenBoat, deployment: Deployment, endpoint: Endpoint, kept: str | None
) -> None:
    """Remember that the boat answered at `endpoint`. `kept` is what it has kept, or None."""
    known_boat, ssh_target = recall(open_boat.boat.file), deployment.ssh_target
    key = known_boat.host_key if known_boat else ""
    if not ssh_target.former_keys or (
        kept == deployment.sha256 and shows_new_key(deployment, endpoint)
    ):
        key = ssh_target.host_key
    known = kept if kept is not None else known_boat.kept if known_boat else ""
    remember(open_boat.boat.file, KnownBoat(endpoint, time.time(), known, key))
    # Only a host key that is not revoked was accepted: the boat has a new card.
    with contextlib.suppress(UserError):
        record_new_card(open_boat.boat.file, ssh_target.host_key)


def shows_new_key(deployment: Deployment, endpoint: Endpoint) -> bool:
    """Tell whether the boat answers when only the host key in its secrets is accepted."""
    known = f"-oUserKnownHostsFile={quoted(deployment.folder / 'new_known_hosts')}"
    options = arguments(deployment.ssh_target.options(deployment.folder))
    try:
        done = subprocess.run(
            [*ssh(deployment.ssh_target.user, options, endpoint, known), "true"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=LOGIN_TIMEOUT_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0
