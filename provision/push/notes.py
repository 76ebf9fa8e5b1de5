# SPDX-License-Identifier: GPL-3.0-or-later
"""After a boat was heard: remember where it answered, and on which settings and host key."""

from __future__ import annotations

import contextlib
import subprocess
import time

from provision.errors import UserError
from provision.profile.secrets.stolen import has_new_card
from provision.push.inventory import Deployment
from provision.push.known_boats import KnownBoat, recall, remember
from provision.push.plan import Target
from provision.push.result import Outcome, PushResult
from provision.ssh.endpoint import Endpoint, arguments, quoted, ssh

#: How a push ends that was with the boat itself.
HEARD = (*(Outcome.KEPT, Outcome.UNCHANGED), Outcome.STAGED, Outcome.WOULD_CHANGE, Outcome.RETURNED)

#: Seconds that a boat gets to show its host key and let somebody in.
PATIENCE = 60


def remember_push(target: Target, wanted: Deployment, result: PushResult) -> None:
    """Remember what a push has learnt about a boat."""
    if result.outcome in HEARD and result.place is not None:
        has_it = result.outcome in (Outcome.KEPT, Outcome.UNCHANGED)
        note(target, wanted, result.place, wanted.sha256 if has_it else None)


def note(target: Target, wanted: Deployment, place: Endpoint, kept: str | None) -> None:
    """Remember that the boat answered at `place`; `kept` is what it has kept, if that is known."""
    before, ssh_target = recall(target.boat.file), wanted.ssh_target
    key = before.host_key if before else ""
    if not ssh_target.former_keys or (kept == wanted.sha256 and shows_new_key(wanted, place)):
        key = ssh_target.host_key
    known = kept if kept is not None else before.kept if before else ""
    remember(target.boat.file, KnownBoat(place, time.time(), known, key))
    # Only a host key that is not revoked was accepted: the boat has a new card.
    with contextlib.suppress(UserError):
        has_new_card(target.boat.file, ssh_target.host_key)


def shows_new_key(wanted: Deployment, place: Endpoint) -> bool:
    """Whether the boat answers when no host key but the one in its secrets is accepted."""
    known = f"-oUserKnownHostsFile={quoted(wanted.folder / 'new_known_hosts')}"
    options = arguments(wanted.ssh_target.options(wanted.folder))
    try:
        done = subprocess.run(
            [*ssh(wanted.ssh_target.user, options, place, known), "true"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=PATIENCE,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0
