# SPDX-License-Identifier: GPL-3.0-or-later
"""Explain why mmdebstrap failed."""

from __future__ import annotations

from collections.abc import Sequence

from provision.commands import failure
from provision.errors import UserError

#: apt's messages when it cannot reach the mirror.
_OFFLINE = (
    "Temporary failure resolving",
    "Could not resolve",
    "Network is unreachable",
    "Could not connect",
    "Connection timed out",
)
_NAMESPACES = ("unshare", "newuidmap", "user namespace", "subuid")


def explain_failure(argv: Sequence[str], status: int, output: str) -> UserError:
    """Return the error for a run of mmdebstrap that ended with `status` and printed `output`."""
    message = failure(argv, status, output)
    if any(sign in output for sign in _OFFLINE):
        return UserError(
            f"the package mirror cannot be reached, and there is no built base yet\n{message}",
            hint="build a card once while there is a network: the base is then kept, "
            "and every later card needs none",
        )
    if any(sign in output for sign in _NAMESPACES):
        return UserError(
            message,
            hint="bases are built in user namespaces: install uidmap, see that /etc/subuid has "
            "a line for you (sudo usermod --add-subuids 100000-165535 --add-subgids "
            "100000-165535 $USER), and allow them (sudo sysctl kernel.unprivileged_userns_clone=1 "
            "or kernel.apparmor_restrict_unprivileged_userns=0)",
        )
    return UserError(
        message,
        hint="the last lines above say what failed; begin again, and nothing is kept of this",
    )
