# SPDX-License-Identifier: GPL-3.0-or-later
"""Name what a push brings to one boat, and the files that it works from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from provision.ssh.endpoint import Endpoint, SshTarget


@dataclass(frozen=True)
class Deployment:
    """Hold what a push brings to one boat, as files on this machine.

    `folder` holds the files: `settings.tar` (mode 0600), `manifest.json`, the suite's job
    (`job.json`, a `provision.verify.job.Job`), the query for the boat's status
    (`status_query.json`, a `provision.push.query.poll.StatusQuery`), and `known_hosts`.
    """

    ssh_target: SshTarget
    board: str
    base: int
    sha256: str
    folder: Path
    profile_argument: str = ""
    """How a command line names the boat. Without it, the boat's name does."""

    @property
    def name(self) -> str:
        """The boat's name."""
        return self.ssh_target.boat

    @property
    def endpoint(self) -> Endpoint:
        """The endpoint that a push connects to."""
        return self.ssh_target.endpoints[0]
