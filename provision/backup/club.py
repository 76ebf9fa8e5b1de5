# SPDX-License-Identifier: GPL-3.0-or-later
"""Back up several boats side by side. A boat that cannot be reached holds no other up."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

from provision.backup.aboard import Aboard, Broken
from provision.backup.copy import Copied, copy_boat
from provision.backup.store import Store
from provision.errors import UserError
from provision.ssh.client import connect
from provision.ssh.endpoint import SshTarget

#: Boats that are copied at once, over one Wi-Fi.
AT_ONCE = 4

#: Bytes that a boat may send in one backup.
MAX_RECEIVED_BYTES = 2**36

#: Called with a boat's name and how far its backup is.
BoatReport = Callable[[str, str], None]


@dataclass(frozen=True)
class BackupResult:
    """Hold how the backup of one boat ended. Without `reason` all that it has was copied."""

    boat: str
    folder: Path
    seconds: float
    copied: Copied
    reason: str = ""
    hint: str = ""

    @property
    def ok(self) -> bool:
        """Tell whether all that the boat has is in the backup."""
        return not self.reason and not self.copied.left_out

    def as_json(self) -> dict[str, object]:
        """Return plain data, for `--json`."""
        return {
            "boat": self.boat,
            "ok": self.ok,
            "folder": str(self.folder),
            "seconds": self.seconds,
            **asdict(self.copied),
            "reason": self.reason,
            "hint": self.hint,
        }


def back_up(
    boats: Sequence[tuple[SshTarget, Path]],
    report: BoatReport = lambda *_: None,
    folders: Mapping[str, str] | None = None,
) -> list[BackupResult]:
    """Back up each boat into a folder of its name below the path beside it."""
    if not boats:
        return []
    with ThreadPoolExecutor(min(AT_ONCE, len(boats))) as pool:
        return list(pool.map(lambda boat: _back_up(boat[0], boat[1], report, folders), boats))


def _back_up(
    target: SshTarget, parent: Path, report: BoatReport, folders: Mapping[str, str] | None
) -> BackupResult:
    start, copied, reason, hint = time.monotonic(), Copied(), "", ""
    try:
        with connect(target, MAX_RECEIVED_BYTES) as transport:
            aboard = Aboard(transport, folders)
            store = Store.open(parent, target.boat)
            copied = copy_boat(aboard, store, lambda text: report(target.boat, text))
    except UserError as error:
        reason, hint = str(error.message), error.hint or ""
    except Broken as error:
        reason = str(error)
        hint = f"what came is kept; go on with: provision backup {target.boat}"
    return BackupResult(
        target.boat, parent / target.boat, round(time.monotonic() - start, 1), copied, reason, hint
    )
