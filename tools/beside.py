# SPDX-License-Identifier: GPL-3.0-or-later
"""Run make's targets at once, and fail if one of them does: beside.py TARGET OTHER...

The first one's output appears as it comes. The others give way to it when the machine is busy,
and their output follows whole, one after the other.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from contextlib import ExitStack


def beside(first: str, others: list[str]) -> int:
    """The first status that is not 0, once all have ended."""
    with ExitStack() as files:
        outputs = [files.enter_context(tempfile.TemporaryFile()) for _ in others]
        running = [
            subprocess.Popen(["nice", "make", other], stdout=output, stderr=subprocess.STDOUT)
            for other, output in zip(others, outputs, strict=True)
        ]
        try:
            statuses = [subprocess.run(["make", first], check=False).returncode]
        finally:
            # An interrupt from the terminal has reached them all.
            ended = [process.wait() for process in running]
            for output in outputs:
                output.seek(0)
                sys.stdout.buffer.write(output.read())
            sys.stdout.flush()
    return next(filter(None, [*statuses, *ended]), 0)


if __name__ == "__main__":
    sys.exit(beside(sys.argv[1], sys.argv[2:]))
