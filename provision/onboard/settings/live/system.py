# SPDX-License-Identifier: GPL-3.0-or-later
"""Query and control the running system: units, timers, the kernel. Tests replace this class."""

from __future__ import annotations

import os
import socket
import subprocess
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from provision.onboard.settings.errors import Exit, SettingsError

#: Name of the transient units that roll the boat back at the deadline.
TIMER = "boat-settings-return"

#: Seconds. Longer than the longest start-up that systemd allows a unit by default (90 s).
COMMAND_TIMEOUT_S = 100.0

COMMAND = "/usr/bin/boat-settings"


@dataclass(frozen=True)
class UnitState:
    """Holds what systemd reports of a unit. `restarts` counts systemd's automatic restarts."""

    load: str
    active: str
    sub: str = ""
    result: str = ""
    kind: str = ""
    conditions: bool = True
    restarts: int = 0
    wanted_by: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Report whether the unit exists and may run."""
        return self.load not in ("not-found", "masked")

    @property
    def running(self) -> bool:
        """Report whether the unit is up or starting."""
        return self.active in ("active", "activating", "reloading", "refreshing")

    @property
    def failed(self) -> bool:
        """Report whether the unit should run and does not. A one-shot may have ended well."""
        if self.load == "not-found" or self.active == "failed" or self.sub == "auto-restart":
            return True
        return self.active == "inactive" and self.conditions and self.kind != "oneshot"

    @property
    def settling(self) -> bool:
        """Report whether the unit is still starting or stopping."""
        return self.active not in ("active", "inactive", "failed") and not self.failed

    @property
    def unproven(self) -> bool:
        """Report whether systemd calls the unit started before it may be ready."""
        return self.kind in ("simple", "exec", "idle")

    @property
    def words(self) -> str:
        """Return the state as text for a message."""
        return f"{self.active} ({self.sub}, {self.result})"


_SHOWN = "LoadState,ActiveState,SubState,Result,Type,ConditionResult,NRestarts,WantedBy,RequiredBy"


def _unit_state(block: str) -> UnitState:
    shown = dict(line.partition("=")[::2] for line in block.splitlines())
    return UnitState(
        load=shown.get("LoadState", ""),
        active=shown.get("ActiveState", ""),
        sub=shown.get("SubState", ""),
        result=shown.get("Result", ""),
        kind=shown.get("Type", ""),
        conditions=shown.get("ConditionResult", "yes") == "yes",
        restarts=int(shown.get("NRestarts") or 0),
        wanted_by=(*shown.get("WantedBy", "").split(), *shown.get("RequiredBy", "").split()),
    )


class System:
    """Acts on the running system. Each method raises SettingsError when its action fails."""

    def monotonic(self) -> float:
        """Return seconds on the clock that is never set, the one that systemd's timers use."""
        return time.clock_gettime(time.CLOCK_MONOTONIC)

    def wall(self) -> float:
        """Return seconds since the epoch by the boat's clock: for people, never for deadlines."""
        return time.time()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)

    def run(self, *command: str, timeout: float = COMMAND_TIMEOUT_S) -> str:
        """Run a program and return its standard output."""
        return self.feed("", *command, timeout=timeout)

    def feed(self, text: str, *command: str, timeout: float = COMMAND_TIMEOUT_S) -> str:
        """Run a program that reads `text`, and return its standard output."""
        try:
            done = subprocess.run(
                command,
                check=False,
                input=text,
                capture_output=True,
                text=True,
                errors="replace",
                timeout=timeout,
                env={**os.environ, "LC_ALL": "C.UTF-8", "SYSTEMD_PAGER": ""},
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise SettingsError("command", f"{' '.join(command)}: {error}") from None
        if done.returncode != 0:
            output = (done.stderr or done.stdout).strip()[-500:]
            message = f"{' '.join(command)} ended with status {done.returncode}: {output}"
            raise SettingsError("command", message)
        return done.stdout

    def arm(self, seconds: int) -> None:
        """Start a timer that rolls the boat back in `seconds`, even if this process dies."""
        self.disarm()
        self.run(
            "systemd-run",
            "--quiet",
            "--collect",
            f"--unit={TIMER}",
            "--description=Roll the boat back to its kept settings",
            f"--on-active={seconds}",
            "--timer-property=AccuracySec=1s",
            "--property=Restart=on-failure",
            "--property=RestartSec=5s",
            f"--property=SuccessExitStatus={Exit.REBOOTING:d} {Exit.KEPT:d}",
            "--property=OOMScoreAdjust=-900",
            # Restart the boat if the rollback fails three times before it reaches its own restart.
            "--property=StartLimitIntervalSec=10min",
            "--property=StartLimitBurst=3",
            "--property=StartLimitAction=reboot",
            COMMAND,
            "return",
            "--deadline",
        )

    def disarm(self, *, service: bool = True) -> None:
        """Stop the timer, and with `service` also a rollback that it has already started."""
        timer, started = f"{TIMER}.timer", f"{TIMER}.service"
        states = self.states([timer, started])
        if states[timer].known:
            self.run("systemctl", "stop", timer)
        if service and states[started].running:
            self.run("systemctl", "stop", started)

    def daemon_reload(self) -> None:
        """Make systemd read its unit files again."""
        self.run("systemctl", "daemon-reload")

    def udev(self) -> None:
        """Make udev read its rules again and name the serial ports by them."""
        self.run("udevadm", "control", "--reload")
        self.run("udevadm", "trigger", "--subsystem-match=tty", "--action=change")
        self.run("udevadm", "settle", "--timeout=15")

    def networkd(self, stale: Iterable[str]) -> None:
        """Make networkd read its files again. `stale` interfaces were made from files that changed.

        networkd neither changes nor removes a virtual device when its .netdev file changes.
        """
        present = [name for name in stale if (Path("/sys/class/net") / name).exists()]
        if present:
            self.run("networkctl", "delete", *present)
        self.run("networkctl", "reload")

    def hostname(self, name: str) -> None:
        """Set the kernel's host name."""
        try:
            socket.sethostname(name)
        except OSError as error:
            raise SettingsError("command", f"host name {name!r}: {error.strerror}") from None

    def sysctl(self) -> None:
        """Apply /etc/sysctl.d and the other folders of kernel parameters."""
        self.run("/usr/lib/systemd/systemd-sysctl")

    def tmpfiles(self, files: Iterable[str]) -> None:
        """Create what these tmpfiles.d files name."""
        self.run("systemd-tmpfiles", "--create", *files)

    def stop(self, units: list[str]) -> None:
        """Stop units. A unit that does not exist counts as stopped."""
        known = [unit for unit, state in self.states(units).items() if state.known]
        if known:
            self.run("systemctl", "stop", *known)

    def start(self, units: list[str]) -> list[str]:
        """Start those of `units` that are due, however often they have failed. Return them."""
        states = self.states(units)
        due = [unit for unit in units if self._due(states[unit])]
        failed = [unit for unit in due if states[unit].active == "failed"]
        if failed:
            self.run("systemctl", "reset-failed", *failed)
        if due:
            self.run("systemctl", "start", *due)
        return due

    def renew(self, unit: str, action: str) -> bool:
        """Restart or reload a unit. False when it does not run and is not due.

        A failed unit is started again: the earlier settings may have caused its failure.
        """
        state = self.states([unit])[unit]
        if not state.known or not (state.running or self._due(state)):
            return False
        if state.active == "failed":
            self.run("systemctl", "reset-failed", unit)
        self.run("systemctl", "restart" if action == "restart" else "reload-or-restart", unit)
        return True

    def _due(self, state: UnitState) -> bool:
        """Report whether a running unit wants this one. An absent radio's device does not."""
        return state.known and any(up.running for up in self.states(state.wanted_by).values())

    def states(self, units: Iterable[str]) -> dict[str, UnitState]:
        """Return the state of each unit."""
        names = list(dict.fromkeys(units))
        if not names:
            return {}
        shown = self.run("systemctl", "show", f"--property={_SHOWN}", "--", *names)
        blocks = shown.strip("\n").split("\n\n")
        return dict(zip(names, map(_unit_state, blocks), strict=True))

    def free_bytes(self, folder: Path) -> int:
        """Return the free space of the file system that `folder` is on, in bytes."""
        found = os.statvfs(folder)
        return found.f_bavail * found.f_frsize

    def is_mounted(self, folder: Path) -> bool:
        """Report whether a file system is mounted at `folder`."""
        return os.path.ismount(folder)

    def reboot(self) -> None:
        """Restart the boat. Use more force each time that systemd refuses."""
        for force in ([], ["--force"], ["--force", "--force"]):
            try:
                self.run("systemctl", "reboot", *force)
            except SettingsError:
                continue
            return
        raise SettingsError("reboot", "the boat could not be restarted")
