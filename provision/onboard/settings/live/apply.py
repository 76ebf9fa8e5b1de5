# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring the running system from one set of settings to another, and check that its units run."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial

from provision.onboard.settings.archive.manifest import Reload, wanted_unit
from provision.onboard.settings.archive.read import Settings
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.live.files import (
    WantedFile,
    remove_folders,
    remove_leftovers,
    write_files,
)
from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths

#: Seconds for units to come up after everything was reloaded.
UNIT_START_TIMEOUT_S = 30.0

#: Seconds after which a program that cannot run with its new configuration has ended.
UNIT_GRACE_S = 1.5

UNIT_FILES = "/etc/systemd/system/"
_DEVICE_NAME = re.compile(r"^\s*Name\s*=\s*([A-Za-z0-9_.-]+)\s*$", re.MULTILINE)


@dataclass(frozen=True)
class Plan:
    """List the steps from the files aboard to `target`.

    `changes` are the files to write or remove. `paths` are those whose units and daemons must
    follow. `paths` may hold more than `changes`: an earlier run may have written the files and
    then been stopped.
    """

    target: Settings
    other: Settings | None
    changes: dict[str, WantedFile]
    paths: frozenset[str]
    folders: tuple[str, ...] = ()
    force: bool = False

    @property
    def stops(self) -> list[str]:
        """List the units that the target no longer wants."""
        return sorted(self._units() - self.target.wants)

    @property
    def starts(self) -> list[str]:
        """List the units that the target wants and that may not run yet."""
        return sorted(self._units() & self.target.wants)

    def _units(self) -> set[str]:
        return {unit for path in self.paths if (unit := wanted_unit(path))}

    @property
    def reloads(self) -> list[Reload]:
        """List what to reload: the entries of the target in order, then of the other side."""
        entries = [
            *self.target.manifest.reload,
            *(self.other.manifest.reload if self.other else ()),
        ]
        due: dict[tuple[str, str | None], Reload] = {}
        if any(path.startswith(UNIT_FILES) for path in self.paths):
            due["daemon-reload", None] = Reload((UNIT_FILES + "*",), "daemon-reload")
        for entry in entries:
            if any(entry.matches(path) for path in self.paths):
                due.setdefault((entry.action, entry.unit), entry)
        return [entry for entry in due.values() if not _covered(entry, due)]


def _covered(entry: Reload, due: Mapping[tuple[str, str | None], Reload]) -> bool:
    return entry.action == "reload" and ("restart", entry.unit) in due


def carry_out(
    aboard: Paths, system: System, plan: Plan, already_failing: Iterable[str] = ()
) -> dict[str, object]:
    """Carry out `plan` and return what was done.

    Raises SettingsError when a unit did not come up. Units in `already_failing` were down before,
    so their failure does not count. With `plan.force` a step that fails does not stop the later
    steps: the first failure is raised at the end.
    """
    steps = _Steps(plan.force)
    stale = _changed_devices(plan)
    if plan.stops:
        steps.attempt(lambda: system.stop(plan.stops))
    steps.attempt(lambda: _write_changes(aboard, plan))
    done: list[Reload] = []
    for entry in plan.reloads:
        if steps.attempt(partial(_reload, aboard, system, plan, entry, stale)):
            done.append(entry)
    started: list[str] = []
    if plan.starts:
        steps.attempt(lambda: started.extend(system.start(plan.starts)))
    watched = {entry.unit for entry in done if entry.unit} | set(started)
    steps.attempt(lambda: _check_units(system, sorted(watched), frozenset(already_failing)))
    if steps.failures:
        raise steps.failures[0]
    return {
        "changed": sorted(plan.changes),
        "stopped": plan.stops,
        "reloaded": [str(entry) for entry in done],
        "started": started,
    }


class _Steps:
    """Runs steps. The first failure ends them, or with `go_on` is kept until the end."""

    def __init__(self, go_on: bool) -> None:
        self.go_on = go_on
        self.failures: list[SettingsError] = []

    def attempt(self, step: Callable[[], bool | None]) -> bool:
        """Run `step` and report whether it did something.

        False when it failed or answered that it was not needed.
        """
        try:
            return step() is not False
        except (SettingsError, OSError) as error:
            failure = error if isinstance(error, SettingsError) else _from_os(error)
            if not self.go_on:
                raise failure from None
            self.failures.append(failure)
            return False


def _from_os(error: OSError) -> SettingsError:
    file = error.filename2 or error.filename
    return SettingsError("files", f"{file}: {error.strerror}" if file else str(error))


def _write_changes(aboard: Paths, plan: Plan) -> None:
    remove_leftovers(aboard, plan.paths)
    write_files(aboard, plan.changes, force=plan.force)
    remove_folders(aboard, plan.folders)


def _changed_devices(plan: Plan) -> list[str]:
    """Name the virtual interfaces whose .netdev file changes or goes away."""
    names: set[str] = set()
    for path in plan.paths:
        if posixpath.dirname(path) != "/etc/systemd/network" or not path.endswith(".netdev"):
            continue
        texts = [side.contents.get(path, b"") for side in (plan.target, plan.other) if side]
        for text in texts:
            names.update(_DEVICE_NAME.findall(text.decode("utf-8", "replace")))
    return sorted(names)


def _reload(aboard: Paths, system: System, plan: Plan, entry: Reload, stale: list[str]) -> bool:
    """Carry out one entry. False when its unit is not meant to run."""
    if entry.unit:
        return entry.unit not in plan.stops and system.renew(entry.unit, entry.action)
    if entry.action == "daemon-reload":
        system.daemon_reload()
    elif entry.action == "udev":
        system.udev()
    elif entry.action == "networkd":
        system.networkd(stale)
    elif entry.action == "hostname":
        system.hostname(aboard.live("/etc/hostname").read_text(encoding="ascii").strip())
    elif entry.action == "sysctl":
        system.sysctl()
    elif entry.action == "tmpfiles":
        files = [path for path in plan.paths if entry.matches(path) and path in plan.target.entries]
        if files:
            system.tmpfiles(sorted(files))
    return True


def _check_units(system: System, units: list[str], already_failing: frozenset[str]) -> None:
    """Check that `units` are up.

    Units that systemd calls started before they are ready are checked once more after UNIT_GRACE_S.
    """
    before = states = system.states(units)
    if any(state.unproven for state in states.values()):
        system.sleep(UNIT_GRACE_S)
        states = system.states(units)
    until = system.monotonic() + UNIT_START_TIMEOUT_S
    while any(state.settling for state in states.values()) and system.monotonic() < until:
        system.sleep(0.5)
        states = system.states(units)
    down = {
        unit: state.words
        for unit, state in states.items()
        if unit not in already_failing
        and (state.failed or state.settling or state.restarts > before[unit].restarts)
    }
    if down:
        failed = ", ".join(f"{unit} is {words}" for unit, words in down.items())
        raise SettingsError("unit", f"after the change {failed}", details={"units": dict(down)})
