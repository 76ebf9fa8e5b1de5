# SPDX-License-Identifier: GPL-3.0-or-later
"""Roll the boat back to its kept settings (`return`): softly, or else by a restart."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

from provision.onboard.settings.apply import Plan, carry_out
from provision.onboard.settings.archive import Settings, read
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.files import differing, wanted
from provision.onboard.settings.keep import finish, sync_folder, write_durably
from provision.onboard.settings.lock import lock
from provision.onboard.settings.paths import Places
from provision.onboard.settings.state import (
    Trial,
    as_bytes,
    clear_trial,
    home,
    load_trial,
    pointer,
    read_archive,
    whole,
    write_state,
)
from provision.onboard.settings.system import System


def base_tree(places: Places, system: System) -> Path | None:
    """Return the base without the overlay, or None where the initramfs did not leave it mounted."""
    return places.base_tree if system.is_mounted(places.base_tree) else None


def go_home(places: Places, system: System, trial: Trial | None) -> dict[str, object]:
    """Put files, units and daemons back as the kept settings have them, and check the files.

    Works from any state in which a trial or an earlier return was stopped. Repeated steps do
    no harm. Raises SettingsError when the boat is not exactly on its settings.
    """
    kept = home(places)
    other = _on_trial(places, trial)
    paths = {*kept.entries, *(other.entries if other else ()), *(trial.changed if trial else ())}
    wants = wanted(kept, paths, base_tree(places, system))
    changes = differing(places, wants)
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        os.unlink(places.reserve)
    plan = Plan(
        target=kept,
        other=other,
        changes=changes,
        paths=frozenset(changes) | frozenset(trial.changed if trial else ()),
        folders=trial.folders if trial else (),
        force=True,
    )
    done = carry_out(places, system, plan, trial.ailing if trial else ())
    if left := sorted(differing(places, wants)):
        raise SettingsError("differs", f"{', '.join(left)} could not be put back")
    return done


def _on_trial(places: Places, trial: Trial | None) -> Settings | None:
    if trial is None:
        return None
    try:
        return read(read_archive(places.trial_archive), trial.digest)
    except (OSError, SettingsError):
        return None


def give_back(
    places: Places, system: System, reason: str, *, deadline: bool, only: str | None = None
) -> tuple[dict[str, object], Exit]:
    """End the trial that is on, or without one put back what differs from the kept settings.

    With `only`, a digest, only a trial of those settings is ended. A push that gives up must
    not end the trial of another push, nor overwrite files that were changed by hand. With
    `deadline` (the timer's call) a soft return that fails is followed by a restart. Without a
    trial `deadline` does nothing.
    """
    try:
        if only is not None:
            with lock(places, system, "return", insist=_is_on(places, only)):
                if not _is_on(places, only):
                    return {"returned": None, "changed": []}, Exit.WELL
                return _give_back(places, system, reason, deadline=deadline)
        with lock(places, system, "return", insist=True):
            return _give_back(places, system, reason, deadline=deadline)
    except Exception as error:
        if deadline:
            return _restart(places, system, f"{reason}; {error}")
        if isinstance(error, SettingsError) and error.kind != "busy" and places.trial.exists():
            error.status = Exit.ON_TRIAL
            error.hint = error.hint or "the timer tries again and then restarts the boat"
        raise


def _give_back(
    places: Places, system: System, reason: str, *, deadline: bool
) -> tuple[dict[str, object], Exit]:
    trial = load_trial(places)
    if trial is None and deadline and not places.trial.exists():
        return {"returned": None, "changed": []}, Exit.WELL
    if trial is not None and trial.phase == "keeping" and _flipped(places, trial):
        # A keep that was stopped may not have synced. Sync before reporting it.
        sync_folder(places.store)
        finish(places, system, trial, service=not deadline)
        return {"returned": None, "kept": trial.digest}, Exit.KEPT
    if trial is not None and trial.phase == "arming":
        done: dict[str, object] = {"changed": []}
    else:
        done = go_home(places, system, trial)
    if trial is not None or done["changed"]:
        tell(places, system, trial, reason)
    clear_trial(places, system, service=not deadline)
    return {"returned": trial.digest if trial else None, "reason": reason, **done}, Exit.WELL


def _is_on(places: Places, digest: str) -> bool:
    trial = load_trial(places)
    return trial is not None and trial.digest == digest


def _flipped(places: Places, trial: Trial) -> bool:
    """Report whether a keep that was stopped had already made these the kept settings."""
    return pointer(places.store / "kept") == trial.digest and whole(places, trial.digest)


def tell(places: Places, system: System, trial: Trial | None, reason: str) -> dict[str, object]:
    """Record a return for programs and for the next login."""
    if trial:
        what = f"settings {trial.digest[:12]}, on trial for {trial.owner}, were taken back"
    else:
        what = "files changed by hand were put back"
    word = leave_word(places, system, what, reason)
    word |= {"trial": trial.digest if trial else None, "owner": trial.owner if trial else None}
    write_state(places.last_return, as_bytes(word), 0o644)
    return word


def leave_word(places: Places, system: System, what: str, reason: str) -> dict[str, object]:
    """Show the next login what happened and why. Return the reason with its times."""
    wall = system.wall()
    stamp = time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(wall))
    write_state(places.notice, f"{stamp}: {what}: {reason}\n".encode(), 0o644)
    return {"reason": reason, "time": int(wall), "monotonic": round(system.monotonic(), 1)}


def _restart(places: Places, system: System, reason: str) -> tuple[dict[str, object], Exit]:
    """Restart the boat as the last resort. RAM forgets the trial, so the card gets the record."""
    with contextlib.suppress(Exception):
        word = tell(places, system, load_trial(places), f"{reason}; the boat was restarted")
        if system.is_mounted(places.data):
            write_durably(places.stored_return, as_bytes(word))
    system.reboot()
    return {"returned": None, "rebooting": True, "reason": reason}, Exit.REBOOTING
