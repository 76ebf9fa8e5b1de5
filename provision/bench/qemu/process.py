# SPDX-License-Identifier: GPL-3.0-or-later
"""Control the process of an emulated board: power, and adapters that come and go."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

from provision.bench.qemu.machine import Machine, NetworkWire
from provision.bench.qemu.qmp import Qmp
from provision.boards import Board
from provision.commands import environment, find
from provision.errors import Location, UserError

#: Characters from the end of the emulator's log that an error shows.
LOG_TAIL_BYTES = 2000

_AGAIN = "correct what the emulator names above, and begin again"


class Emulator(Machine):
    """Control an emulated board that can be switched on."""

    def __init__(self, board: Board, folder: Path, disk: Path, wire: NetworkWire) -> None:
        super().__init__(board, folder, disk, wire)
        self._process: subprocess.Popen[bytes] | None = None
        self._qmp: Qmp | None = None

    @property
    def log(self) -> Path:
        """Return the path of the emulator's own log."""
        return self.folder / "emulator.log"

    @property
    def running(self) -> bool:
        """Tell if the board has power."""
        return self._process is not None and self._process.poll() is None

    def power_on(self) -> None:
        """Start the emulator."""
        self.power_cut()
        for name in ("qmp", "tablet", *(f"link-{link}" for link in self.networks)):
            (self.folder / name).unlink(missing_ok=True)
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                # The emulator ends with this process.
                [find("setpriv"), "--pdeathsig", "KILL", "--", *self.command()],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=environment(),
                # No session of its own: its leader would take an adapter's line for its terminal.
                process_group=0,
            )
        try:
            self._qmp = Qmp(self.folder / "qmp", lambda: self.running)
        except UserError as error:
            self.power_cut()
            raise UserError(
                f"the emulator did not start:\n{self._last_words()}", hint=_AGAIN
            ) from error

    def power_cut(self) -> None:
        """Cut the power: the machine ends between two instructions."""
        if self._qmp:
            self._qmp.close()
            self._qmp = None
        if self._process:
            self._process.kill()
            self._process.wait()
            self._process = None

    def check(self) -> None:
        """Raise UserError if the emulator has failed, or has stopped for lack of disk space.

        A boat without power, or that has switched itself off, is no error.
        """
        if self._process and (status := self._process.poll()):
            raise UserError(
                f"the emulator ended with status {status}:\n{self._last_words()}", hint=_AGAIN
            )
        if self.running and self.qmp.command("query-status")["status"] == "io-error":
            hint = "make room there, or set TMPDIR to another folder"
            raise UserError("the disk is full", location=Location(self.folder.parent), hint=hint)

    def _last_words(self) -> str:
        return self.log.read_text(errors="replace")[-LOG_TAIL_BYTES:].strip()

    def wait_for_end(self, seconds: float) -> bool:
        """Tell if the machine switches itself off in time."""
        end = time.monotonic() + seconds
        while self.running and time.monotonic() < end:
            time.sleep(0.1)
        return not self.running

    def unplug(self, link: str) -> None:
        """Pull a link's adapter out of its socket."""
        self.qmp.command("device_del", id=f"adapter-{link}")
        self.qmp.wait_for("DEVICE_DELETED", device=f"adapter-{link}")

    def plug(self, link: str) -> None:
        """Put a link's adapter into its socket."""
        self.qmp.command("device_add", **self._adapter(link) | {"always-plugged": True})

    def put_stick(self, image: Path) -> None:
        """Put a stick, whose bytes are a plain file, into a free socket."""
        file = {"driver": "file", "filename": str(image)}
        self.qmp.command("blockdev-add", driver="raw", file=file, **{"node-name": "stick"})
        self.qmp.command("device_add", driver="usb-storage", id="stick", drive="stick")

    def pull_stick(self) -> None:
        """Pull the stick, whatever is being done with it."""
        self.qmp.command("device_del", id="stick")
        self.qmp.wait_for("DEVICE_DELETED", device="stick")
        self.qmp.command("blockdev-del", **{"node-name": "stick"})

    @property
    def qmp(self) -> Qmp:
        """Return a connection to the emulator's control socket."""
        if self._qmp is None or not self.running:
            raise UserError("the boat has no power", hint="power-on first")
        return self._qmp
