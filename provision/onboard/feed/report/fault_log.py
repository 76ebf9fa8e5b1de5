# SPDX-License-Identifier: GPL-3.0-or-later
"""Log each fault once, not a thousand times."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from dataclasses import dataclass

log = logging.getLogger("boat-feed")

#: Seconds after which a fault that goes on is logged again, with its count.
REPEAT_S = 3600.0

#: Faults remembered at once. A flood of different faults must not fill memory.
MAX_FAULTS = 512

#: Lines of one subject and kind of fault in a row, and seconds until one more may follow.
#: Senders and connections can be invented without end.
BURST_LINES, REFILL_S = 20, 60.0

#: The journal takes the level from a prefix (sd-daemon(3)).
_PREFIX = {logging.ERROR: "<3>", logging.WARNING: "<4>", logging.INFO: "<6>", logging.DEBUG: "<7>"}


class JournalFormatter(logging.Formatter):
    """Writes a level that the journal understands in front of each line."""

    def format(self, record: logging.LogRecord) -> str:
        return _PREFIX.get(record.levelno, "<5>") + super().format(record)


def log_to_standard_error() -> None:
    """Start to log: for the journal under systemd, for people elsewhere."""
    handler = logging.StreamHandler()
    if "JOURNAL_STREAM" in os.environ:
        handler.setFormatter(JournalFormatter("%(message)s"))
    else:
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    log.addHandler(handler)
    log.setLevel(logging.INFO)


@dataclass(slots=True)
class _Budget:
    """Counts how many lines may still be written now."""

    left: float
    since: float
    kept_back: int = 0

    def takes(self, now: float) -> bool:
        self.left = min(BURST_LINES, self.left + (now - self.since) / REFILL_S)
        self.since = now
        if self.left < 1:
            self.kept_back += 1
            return False
        self.left -= 1
        return True


class FaultLog:
    """Logs a fault when it starts, and again every REPEAT_S seconds while it goes on."""

    def __init__(
        self, clock: Callable[[], float] = time.monotonic, quiet: float = REPEAT_S
    ) -> None:
        self._clock = clock
        self._quiet = quiet
        self._named: dict[tuple[str, str], tuple[float, int]] = {}
        self._budgets: dict[tuple[str, str], _Budget] = {}
        self.faults: dict[str, int] = {}
        """How often each part of the feed has failed by a fault of our own, by its name."""

    def warn(self, subject: str, fault: str, message: str) -> None:
        """Log `message`, unless this `fault` of this `subject` was logged already."""
        now = self._clock()
        since, silent = self._named.get((subject, fault), (None, 0))
        if since is not None and now - since < self._quiet:
            self._named[subject, fault] = (since, silent + 1)
            return
        more = f" ({silent} more of these since it was last named)" if silent else ""
        # The first word of a fault is its kind. The rest may name a sender.
        if not self._say(logging.WARNING, subject, fault.partition(" ")[0], message + more):
            return
        if len(self._named) >= MAX_FAULTS:
            del self._named[next(iter(self._named))]
        self._named[subject, fault] = (now, 0)

    def fault(self, name: str, doing: str, error: Exception) -> None:
        """Count and log a fault of our own in one part of the feed. All other parts go on."""
        self.faults[name] = self.faults.get(name, 0) + 1
        self.warn(name, "fault", f"a fault {doing}: {error!r}; the other outputs go on")

    def guarded(self, name: str, call: Callable[[], None]) -> Callable[[], None]:
        """Return a function that runs `call` later and counts its fault."""

        def guarded() -> None:
            try:
                call()
            except Exception as error:
                self.fault(name, "in sending", error)

        return guarded

    def note(self, subject: str, message: str) -> None:
        """Log an event that is not a fault, such as a new client, within the budget of lines."""
        self._say(logging.INFO, subject, "", message)

    def _say(self, level: int, subject: str, kind: str, message: str) -> bool:
        now = self._clock()
        budget = self._budgets.get((subject, kind))
        if budget is None:
            if len(self._budgets) >= MAX_FAULTS:
                del self._budgets[next(iter(self._budgets))]
            budget = self._budgets[subject, kind] = _Budget(BURST_LINES, now)
        if not budget.takes(now):
            return False
        kept, budget.kept_back = budget.kept_back, 0
        more = f" ({kept} other lines like this were not written)" if kept else ""
        log.log(level, "%s: %s%s", subject, message, more)
        return True

    def cleared(self, subject: str, fault: str, message: str = "") -> None:
        """End a fault: log `message` if it had been logged, and log the next one at once."""
        if self._named.pop((subject, fault), None) is not None and message:
            log.info("%s: %s", subject, message)
