# SPDX-License-Identifier: GPL-3.0-or-later
"""The log: each fault named once, not a thousand times."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable

log = logging.getLogger("boat-feed")

#: A fault that goes on is named again after so many seconds, with its count.
QUIET = 3600.0

#: Faults remembered at once; a flood of different ones must not eat memory.
REMEMBERED = 512

#: The journal takes the level from a prefix (sd-daemon(3)).
_PREFIX = {logging.ERROR: "<3>", logging.WARNING: "<4>", logging.INFO: "<6>", logging.DEBUG: "<7>"}


class JournalFormatter(logging.Formatter):
    """A level the journal understands in front of each line."""

    def format(self, record: logging.LogRecord) -> str:
        return _PREFIX.get(record.levelno, "<5>") + super().format(record)


def log_to_standard_error() -> None:
    """Begin to log: for the journal under systemd, for people elsewhere."""
    handler = logging.StreamHandler()
    if "JOURNAL_STREAM" in os.environ:
        handler.setFormatter(JournalFormatter("%(message)s"))
    else:
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    log.addHandler(handler)
    log.setLevel(logging.INFO)


class Teller:
    """Names a fault when it begins, and again every QUIET seconds while it goes on."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, quiet: float = QUIET) -> None:
        self._clock = clock
        self._quiet = quiet
        self._named: dict[tuple[str, str], tuple[float, int]] = {}

    def warn(self, subject: str, fault: str, message: str) -> None:
        """Log `message`, unless this `fault` of this `subject` was named already."""
        now = self._clock()
        since, silent = self._named.get((subject, fault), (None, 0))
        if since is not None and now - since < self._quiet:
            self._named[subject, fault] = (since, silent + 1)
            return
        more = f" ({silent} more of these since it was last named)" if silent else ""
        log.warning("%s: %s%s", subject, message, more)
        if len(self._named) >= REMEMBERED:
            del self._named[next(iter(self._named))]
        self._named[subject, fault] = (now, 0)

    def mended(self, subject: str, fault: str, message: str = "") -> None:
        """The fault is over: say so if it had been named, and name the next one anew."""
        if self._named.pop((subject, fault), None) is not None and message:
            log.info("%s: %s", subject, message)
