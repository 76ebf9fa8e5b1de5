# SPDX-License-Identifier: GPL-3.0-or-later
"""What OpenSSH says of somebody who answers at a boat's place, and with whom nothing can be done.

The words are from memory.
"""

from __future__ import annotations

#: It is another machine than the boat.
WRONG_KEY = (
    *("Host key verification failed", "REMOTE HOST IDENTIFICATION HAS CHANGED"),
    "no matching host key type found",
)

#: It does not let us in.
NOT_LET_IN = ("Permission denied",)

#: Nothing answers there, or something does that never says who it is.
NO_ANSWER = (
    *("Connection timed out", "Operation timed out", "No route to host"),
    *("Connection refused", "Network is unreachable", "Could not resolve hostname"),
)


def refused(message: str) -> bool:
    """Whether a message that a boat is unreachable is about this."""
    return any(words in message for words in (*WRONG_KEY, *NOT_LET_IN))
