#!/usr/bin/env -S python3 -I
# SPDX-License-Identifier: GPL-3.0-or-later
"""Run ssh for Ansible, and take at most a mebibyte of what the boat sends.

Ansible itself would keep all of it in memory. More than that ends ssh, and the boat's command
fails with a reason on standard error.
"""

from __future__ import annotations

import os
import signal
import sys

# Ansible starts a program by its path alone, by whichever Python this machine has: nothing of an
# environment helps to find the rest of this package.
sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.dirname(os.path.realpath(__file__)))))

from provision.bounded import MAX_STATUS_BYTES, TooMuch, collect

#: The exit status when ssh was ended.
TOO_MUCH = 1


def main() -> int:
    """`bounded_ssh.py ARGUMENT...`: as `ssh ARGUMENT...`."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    try:
        done = collect(["ssh", *sys.argv[1:]], limit=MAX_STATUS_BYTES, given=None)
    except TooMuch as error:
        print(f"answers, but is not understood: {error}", file=sys.stderr)
        return TOO_MUCH
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    sys.stdout.buffer.write(done.stdout)
    sys.stderr.buffer.write(done.stderr)
    # As a shell says that a signal ended the program.
    return done.status if done.status >= 0 else 128 - done.status


if __name__ == "__main__":
    sys.exit(main())
