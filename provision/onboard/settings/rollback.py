# SPDX-License-Identifier: GPL-3.0-or-later
"""Roll the boat back to its kept settings (`return`): softly, or else by a restart."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

from provision.onboard.settings.archive.read import Settings, read
from provision.onboard.settings.atomic import sync_folder, write_durably, write_state
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.apply import Plan, carry_out
from provision.onboard.settings.live.files import find_changes, find_wanted
from provision.onboard.settings.live.system import System
from provision.onboard.settings.lock import hold_lock
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.store.keep import finish_keeping
from provision.onboard.settings.store.state import (
    Trial,
    as_bytes,
    clear_trial,
    is_intact,
    load_kept_settings,
    load_trial,
    read_archive,
    read_pointer,
)


def find_base_tree(aboard: Paths, system: System) -> Path | None:
    """Return the base without the overlay, or None where the initramfs did not leave it mounted."""
    return aboard.base_tree if system.is_mounted(aboard.base_tree) else None


def apply_kept_settings(aboard: Paths, system: System, trial: Trial | None) -> dict[str, object]:
    """Put files, units and daemons back as the kept settings have them, and check the files.

    Works from any state in which a trial or an earlier rollback was stopped. Repeated steps do
    no harm. Raises SettingsError when the boat is not exactly on its settings.
    """
    kept = load_kept_settings(aboard)
    other = _read_trial_settings(aboard, trial)
    paths = {*kept.entries, *(other.entries if other else ()), *(trial.changed if trial else ())}
    wants = find_wanted(kept, paths, find_base_tree(aboard, system))
    changes = find_changes(aboard, wants)
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        os.unlink(aboard.reserve)
    plan = Plan(
        target=kept,
        other=other,
        changes=changes,
        paths=frozenset(changes) | frozenset(trial.changed if trial else ()),
        folders=trial.folders if trial else (),
        force=True,
    )
    done = carry_out(aboard, system, plan, trial.already_failing if trial else ())
    if left := sorted(find_changes(aboard, wants)):
        raise SettingsError("differs", f"{', '.join(left)} could not be put back")
    return done


def _read_trial_settings(aboard: Paths, trial: Trial | None) -> Settings | None:
    if trial is None:
        return None
    try:
        return read(read_archive(aboard.trial_archive), trial.digest)
    except (OSError, SettingsError):
        return None


def roll_back(
    aboard: Paths, system: System, reason: str, *, deadline: bool, only: str | None = None
) -> tuple[dict[str, object], Exit]:
    """End the trial that is on, or without one put back what differs from the kept settings.

    With `only`, a digest, only a trial of those settings is ended. A push that gives up must
    not end the trial of another push, nor overwrite files that were changed by hand. With
    `deadline` (the timer's call) a soft rollback that fails is followed by a restart. Without a
    trial `deadline` does nothing.
    """
    try:
        if only is not None:
            with hold_lock(aboard, system, "return", force=_is_on(aboard, only)):
                if not _is_on(aboard, only):
                    return {"returned": None, "changed": []}, Exit.OK
                return _roll_back(aboard, system, reason, deadline=deadline)
        with hold_lock(aboard, system, "return", force=True):
            return _roll_back(aboard, system, reason, deadline=deadline)
    except Exception as error:
        if deadline:
            return _restart(aboard, system, f"{reason}; {error}")
        if isinstance(error, SettingsError) and error.kind != "busy" and aboard.trial.exists():
            error.status = Exit.ON_TRIAL
            error.hint = error.hint or "the timer tries again and then restarts the boat"
        raise


def _roll_back(
    aboard: Paths, system: System, reason: str, *, deadline: bool
) -> tuple[dict[str, object], Exit]:
    trial = load_trial(aboard)
    if trial is None and deadline and not aboard.trial.exists():
        return {"returned": None, "changed": []}, Exit.OK
    if trial is not None and trial.phase == "keeping" and _is_kept_already(aboard, trial):
        # A keep that was stopped may not have synced. Sync before reporting it.
        sync_folder(aboard.store)
        finish_keeping(aboard, system, trial, service=not deadline)
        return {"returned": None, "kept": trial.digest}, Exit.KEPT
    if trial is not None and trial.phase == "arming":
        done: dict[str, object] = {"changed": []}
    else:
        done = apply_kept_settings(aboard, system, trial)
    if trial is not None or done["changed"]:
        record_rollback(aboard, system, trial, reason)
    clear_trial(aboard, system, service=not deadline)
    return {"returned": trial.digest if trial else None, "reason": reason, **done}, Exit.OK


def _is_on(aboard: Paths, digest: str) -> bool:
    trial = load_trial(aboard)
    return trial is not None and trial.digest == digest


def _is_kept_already(aboard: Paths, trial: Trial) -> bool:
    """Report whether a keep that was stopped had already made these the kept settings."""
    return read_pointer(aboard.store / "kept") == trial.digest and is_intact(aboard, trial.digest)


def record_rollback(
    aboard: Paths, system: System, trial: Trial | None, reason: str
) -> dict[str, object]:
    """Record a rollback for programs and for the next login."""
    if trial:
        what = f"settings {trial.digest[:12]}, on trial for {trial.owner}, were rolled back"
    else:
        what = "files changed by hand were put back"
    record = write_notice(aboard, system, what, reason)
    record |= {"trial": trial.digest if trial else None, "owner": trial.owner if trial else None}
    write_state(aboard.last_rollback, as_bytes(record), 0o644)
    return record


def write_notice(aboard: Paths, system: System, what: str, reason: str) -> dict[str, object]:
    """Show the next login what happened and why. Return the reason with its times."""
    wall = system.wall()
    stamp = time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(wall))
    write_state(aboard.notice, f"{stamp}: {what}: {reason}\n".encode(), 0o644)
    return {"reason": reason, "time": int(wall), "monotonic": round(system.monotonic(), 1)}


def _restart(aboard: Paths, system: System, reason: str) -> tuple[dict[str, object], Exit]:
    """Restart the boat as the last resort. RAM forgets the trial, so the card gets the record."""
    with contextlib.suppress(Exception):
        record = record_rollback(
            aboard, system, load_trial(aboard), f"{reason}; the boat was restarted"
        )
        if system.is_mounted(aboard.data):
            write_durably(aboard.stored_rollback, as_bytes(record))
    system.reboot()
    return {"returned": None, "rebooting": True, "reason": reason}, Exit.REBOOTING
