# SPDX-License-Identifier: GPL-3.0-or-later
"""Programs that the tests alone run, unpacked by tools/private-programs and not installed.

Needs the standard library alone: boats in namespaces have this machine's plain Python.
"""

from __future__ import annotations

import os
import platform
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]

#: A tree of merged /usr, to lay over this machine's.
ROOT = REPOSITORY / ".programs/tree"

#: Shows root the users that the packages would have added, to the program $1 alone.
_WITH_USERS = 'mount --bind "$0/etc/passwd" /etc/passwd && exec "$@"'


def command(program: str) -> list[str]:
    """Return the words with which a private program is run; its arguments go behind them.

    `program` is a path below /usr, such as "sbin/sshd". FileNotFoundError when it is not there.
    """
    path = ROOT / "usr" / program
    if not path.exists():
        raise FileNotFoundError(f"{path} is not there: run tools/private-programs")
    libraries = ROOT / f"usr/lib/{platform.machine()}-linux-gnu"
    plain = ["env", f"LD_LIBRARY_PATH={libraries}", str(path)]
    if os.geteuid() != 0:
        return plain
    return ["unshare", "--mount", "sh", "-c", _WITH_USERS, str(ROOT), *plain]


def sshd() -> list[str]:
    """Return the words that run sshd. It looks for its parts where its package puts them."""
    folder = ROOT / "usr/lib/openssh"
    parts = {"SshdSessionPath": "sshd-session", "SshdAuthPath": "sshd-auth"}
    there = {option: folder / part for option, part in parts.items() if (folder / part).exists()}
    return [*command("sbin/sshd"), *(f"-o{option}={path}" for option, path in there.items())]
