# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat in a folder behind a real sshd: its program is the real one, its units are not.

Run as `push_boat.py ROOT ARGUMENT...` this file is the boat's `boat-settings`: the code that
runs aboard, on ROOT instead of /, with what it asks of systemd and the kernel left undone.
While the file that ROOT/../good names is not as it was then, no unit can be
restarted. A reload of ssh.service is one of that boat's sshd, so that it takes a new host key.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

from provision.onboard.settings.cli import main
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.live.system import System, UnitState


class Units(System):
    """Units that come up, unless their file is a bad one; a timer that is real."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.pid = root.parent / "timer.pid"

    def bad(self) -> bool:
        """Report whether units fail, see above."""
        good = self.root.parent / "good"
        if not good.exists():
            return False
        digest, path = good.read_text().split()
        return digest != hashlib.sha256((self.root / path).read_bytes()).hexdigest()

    def run(self, *command: str, timeout: float = 0) -> str:
        if command[:2] == ("systemctl", "restart") and self.bad():
            raise SettingsError("command", f"{' '.join(command)} failed")
        if command[:3] == ("systemctl", "reload-or-restart", "ssh.service"):
            os.kill(int((self.root.parent / "sshd.pid").read_text()), signal.SIGHUP)
            time.sleep(0.3)
        return ""

    def arm(self, seconds: int) -> None:
        again = [sys.executable, __file__, str(self.root), "return", "--deadline"]
        wait = f"import os, sys, time; time.sleep({seconds}); os.execv(sys.argv[1], sys.argv[1:])"
        process = subprocess.Popen(
            [sys.executable, "-c", wait, *again],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self.pid.write_text(str(process.pid))

    def disarm(self, *, service: bool = True) -> None:
        if self.pid.exists():
            pid = int(self.pid.read_text())
            self.pid.unlink()
            if pid != os.getpid():
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)

    def armed(self) -> bool:
        return self.pid.exists()

    def hostname(self, name: str) -> None:
        pass

    def states(self, units: Iterable[str]) -> dict[str, UnitState]:
        return {unit: UnitState("loaded", "active") for unit in units}

    def is_mounted(self, folder: Path) -> bool:
        return True

    def mount_base(self, folder: Path) -> bool:
        return folder.is_dir()


if __name__ == "__main__":
    root = Path(sys.argv[1])
    sys.exit(main(["--root", str(root), *sys.argv[2:]], Units(root)))
