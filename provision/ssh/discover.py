# SPDX-License-Identifier: GPL-3.0-or-later
"""Find where a boat answers by the host key that is shown there, before any login."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace

from provision.commands import find
from provision.ssh.endpoint import Endpoint, SshTarget

#: Seconds that an endpoint gets to show a host key.
KEY_SCAN_TIMEOUT_S = 5


def put_answering_first(target: SshTarget) -> SshTarget:
    """Put the first endpoint that shows one of the boat's keys before the others.

    Where none does, the order stays. A connection checks the key again.
    """
    found = find_answering_endpoint(target)
    if found is None:
        return target
    return replace(
        target, endpoints=(found, *(endpoint for endpoint in target.endpoints if endpoint != found))
    )


def find_answering_endpoint(target: SshTarget) -> Endpoint | None:
    """Scan all endpoints at once, and return the first that shows one of the boat's keys."""
    pinned = [" ".join(key.split()[:2]) for key in target.pinned]
    with ExitStack() as running:
        scans = [
            (endpoint, running.enter_context(_scan(endpoint, target.host_key.split()[0])))
            for endpoint in target.endpoints
        ]
        try:
            for endpoint, scan in scans:
                if _scanned_key(scan.communicate()[0]) in pinned:
                    return endpoint
        finally:
            for _, scan in scans:
                scan.kill()
    return None


def _scan(endpoint: Endpoint, kind: str) -> subprocess.Popen[str]:
    argv: Sequence[str] = [
        *(find("ssh-keyscan"), "-T", str(KEY_SCAN_TIMEOUT_S), "-t", kind.removeprefix("ssh-")),
        *("-p", str(endpoint.port), "--", endpoint.host),
    ]
    return subprocess.Popen(
        argv,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


def _scanned_key(answer: str) -> str:
    """Read the key from what ssh-keyscan printed."""
    for line in answer.splitlines():
        if not line.startswith("#"):
            return " ".join(line.split()[1:3])
    return ""
