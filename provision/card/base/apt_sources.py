# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the package mirror to build a base from: the mirror that this machine's apt uses."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from provision.commands import run
from provision.errors import UserError

KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
MIRROR_HINT = (
    "set PROVISION_MIRROR to the URL of a Debian mirror, "
    "and PROVISION_SECURITY_MIRROR to that of its security updates"
)


@dataclass(frozen=True)
class AptSources:
    """Hold the mirrors of Debian and of its security updates."""

    main: str
    security: str

    def lines(self, suite: str, components: list[str]) -> list[str]:
        """Format the mirrors as one-line entries for apt."""
        words = " ".join(components)
        return [
            f"deb [signed-by={KEYRING}] {self.main} {suite} {words}",
            f"deb [signed-by={KEYRING}] {self.main} {suite}-updates {words}",
            f"deb [signed-by={KEYRING}] {self.security} {suite}-security {words}",
        ]


def find_mirrors() -> AptSources:
    """Find the mirrors to build from. Raise UserError if apt knows no Debian mirror."""
    if mirror := os.environ.get("PROVISION_MIRROR"):
        security = os.environ.get("PROVISION_SECURITY_MIRROR")
        if not security:
            raise UserError(
                "PROVISION_MIRROR without PROVISION_SECURITY_MIRROR: "
                "the base would have no security updates",
                hint="set PROVISION_SECURITY_MIRROR to a mirror of Debian's security updates",
            )
        return AptSources(mirror, security)
    listed = run(
        "apt-get", "indextargets", "--format", "$(LABEL)|$(SITE)", "Created-By: Packages"
    ).stdout
    sites = dict(line.split("|", 1) for line in listed.splitlines() if "|" in line)
    if "Debian" not in sites:
        raise UserError("this machine's apt knows no Debian mirror", hint=MIRROR_HINT)
    if "Debian-Security" not in sites:
        raise UserError(
            "this machine's apt knows no security updates of Debian: the base would have none",
            hint=MIRROR_HINT,
        )
    return AptSources(sites["Debian"], sites["Debian-Security"])
