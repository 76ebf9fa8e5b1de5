# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell from OpenSSH's messages that another machine answered, or that the boat refused a login.

The messages are from memory.
"""

from __future__ import annotations

#: Another machine answered than the boat.
WRONG_KEY = (
    *("Host key verification failed", "REMOTE HOST IDENTIFICATION HAS CHANGED"),
    "no matching host key type found",
)

#: The boat refused the login.
NOT_LET_IN = ("Permission denied",)

#: Nothing answered, or something without SSH.
NO_ANSWER = (
    *("Connection timed out", "Operation timed out", "No route to host"),
    *("Connection refused", "Network is unreachable", "Could not resolve hostname"),
)


def refused(message: str) -> bool:
    """Tell whether a message means another machine or a refused login."""
    return any(words in message for words in (*WRONG_KEY, *NOT_LET_IN))
