# SPDX-License-Identifier: GPL-3.0-or-later
"""Which package mirror a base is built from: the one that this machine's own apt uses."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from provision.errors import UserError
from provision.run import run

KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
HINT = (
    "set PROVISION_MIRROR to the URL of a Debian mirror, "
    "and PROVISION_SECURITY_MIRROR if it has one"
)


@dataclass(frozen=True)
class Sources:
    """Mirrors of Debian, and of its security updates where there is one."""

    main: str
    security: str | None

    def lines(self, suite: str, components: list[str]) -> list[str]:
        """One-line entries as apt reads them."""
        words = " ".join(components)
        lines = [
            f"deb [signed-by={KEYRING}] {self.main} {suite} {words}",
            f"deb [signed-by={KEYRING}] {self.main} {suite}-updates {words}",
        ]
        if self.security:
            lines.append(f"deb [signed-by={KEYRING}] {self.security} {suite}-security {words}")
        return lines


def sources() -> Sources:
    """The mirrors to build from; UserError when this machine's apt knows no Debian mirror."""
    if mirror := os.environ.get("PROVISION_MIRROR"):
        return Sources(mirror, os.environ.get("PROVISION_SECURITY_MIRROR"))
    listed = run(
        "apt-get", "indextargets", "--format", "$(LABEL)|$(SITE)", "Created-By: Packages"
    ).stdout
    sites = dict(line.split("|", 1) for line in listed.splitlines() if "|" in line)
    if "Debian" not in sites:
        raise UserError("this machine's apt knows no Debian mirror", hint=HINT)
    return Sources(sites["Debian"], sites.get("Debian-Security"))
