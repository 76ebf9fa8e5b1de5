# SPDX-License-Identifier: GPL-3.0-or-later
"""The `provision` command. Each file here holds commands of one kind: parse, call, print.

Exit status: 0 success, 1 found something wrong, 2 could not run; 128 and a signal's number when
that ended it.
"""

from __future__ import annotations

import gc
import sys

__all__ = ["main"]

#: New objects after which Python looks for those that nothing uses. A command's imports make many
#: and drop few: at Python's own 700 the search takes a tenth of a command's start.
GARBAGE_THRESHOLD = 100_000


def main() -> None:
    """Run the command that the arguments name, and end with its exit status."""
    gc.set_threshold(GARBAGE_THRESHOLD)
    from provision.cli.run import run

    sys.exit(run())
