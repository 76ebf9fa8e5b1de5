# SPDX-License-Identifier: GPL-3.0-or-later
"""Find where a boat answers, by the host key that is shown there, before anybody logs in."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace

from provision.commands import find
from provision.ssh.endpoint import Endpoint, SshTarget

#: Seconds a place gets to show a host key.
PATIENCE = 5


def put_answering_first(target: SshTarget) -> SshTarget:
    """The same, with the first place that shows the boat's key put before the others.

    Where none does, the order stays. Whoever connects checks the key for good.
    """
    found = find_answering_endpoint(target)
    if found is None:
        return target
    return replace(
        target, endpoints=(found, *(place for place in target.endpoints if place != found))
    )


def find_answering_endpoint(target: SshTarget) -> Endpoint | None:
    """The first place where one of the boat's keys is shown; all of them are asked at once."""
    pinned = [" ".join(key.split()[:2]) for key in target.pinned]
    with ExitStack() as running:
        scans = [
            (place, running.enter_context(_scan(place, target.host_key.split()[0])))
            for place in target.endpoints
        ]
        try:
            for place, scan in scans:
                if _shown(scan.communicate()[0]) in pinned:
                    return place
        finally:
            for _, scan in scans:
                scan.kill()
    return None


def _scan(place: Endpoint, kind: str) -> subprocess.Popen[str]:
    argv: Sequence[str] = [
        *(find("ssh-keyscan"), "-T", str(PATIENCE), "-t", kind.removeprefix("ssh-")),
        *("-p", str(place.port), "--", place.host),
    ]
    return subprocess.Popen(
        argv,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


def _shown(answer: str) -> str:
    """The key in what ssh-keyscan printed."""
    for line in answer.splitlines():
        if not line.startswith("#"):
            return " ".join(line.split()[1:3])
    return ""
