# SPDX-License-Identifier: GPL-3.0-or-later
"""Say why there is no connection to a boat: a reason, and a hint."""

from __future__ import annotations

from collections.abc import Callable

from provision.ssh.endpoint import Endpoint, SshTarget


def explain_known_key(
    target: SshTarget, endpoint: Endpoint, shown: Callable[[str], bool]
) -> tuple[str, str] | None:
    """Explain a host key that the boat had before and must not show any more.

    `shown` tells whether the machine there shows a key. None when it is another key.
    """
    boat = target.boat
    if any(map(shown, target.stolen_keys)):
        return (
            f"{endpoint} shows the host key of a card of {boat}'s that was lost or stolen",
            "it is that card, a copy of it, or an older spare card; nothing was sent there. Put "
            "the new card into the boat",
        )
    if any(map(shown, target.dropped_keys)):
        return (
            f"{endpoint} shows a host key of {boat}'s from before it was rotated: the boat "
            "has fallen back to older settings, or somebody else has that key",
            "if it is the boat, give --former-key",
        )
    return None


def explain_other_machine(target: SshTarget, endpoint: Endpoint) -> tuple[str, str]:
    """Explain that the machine there is not the boat."""
    return (
        f"another machine answers at {endpoint}: its host key is not {target.boat}'s",
        f"look what has that address; {target.boat}'s own key is in its secrets",
    )


def explain_no_login(target: SshTarget, endpoint: Endpoint) -> tuple[str, str]:
    """Explain that the boat refused all keys of this laptop."""
    return (
        f"{target.boat} does not let you in at {endpoint}",
        "use a key that access.keys of the settings aboard names",
    )


def explain_no_answer(target: SshTarget, endpoint: Endpoint, unknown: str = "") -> str:
    """Explain that nothing answers there. `unknown` is a name that no machine has."""
    why = f": this computer finds no machine by the name {unknown}" if unknown else ""
    return f"{target.boat} does not answer at {endpoint}{why}"
