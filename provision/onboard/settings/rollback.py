# SPDX-License-Identifier: GPL-3.0-or-later
"""`return`: the boat goes back to its kept settings, softly or else by a restart."""

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
    """The base without the overlay on it, where the initramfs has left it mounted."""
    return places.base_tree if system.is_mounted(places.base_tree) else None


def go_home(places: Places, system: System, trial: Trial | None) -> dict[str, object]:
    """Put files, units and daemons back as the kept settings have them, and check the files.

    Works from any state that a trial, or an earlier return, may have been stopped in. What is
    done twice does no harm. SettingsError when the boat is not exactly on its settings.
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
    """End the trial that is on, or mend what differs from the kept settings when none is.

    With `only`, a digest, nothing but a trial of those settings is ended: whoever gives up a
    push must not end another's trial, nor overwrite what somebody has changed by hand. With
    `deadline` (the timer's call) a soft return that fails is followed by a restart, and
    without a trial nothing is done.
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
        # Whoever was stopped may have been so before this, and the card is to hold what we say.
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
    """Whether a keep that was stopped had already made these the kept settings."""
    return pointer(places.store / "kept") == trial.digest and whole(places, trial.digest)


def tell(places: Places, system: System, trial: Trial | None, reason: str) -> dict[str, object]:
    """Leave word of a return for programs and for whoever logs in next."""
    if trial:
        what = f"settings {trial.digest[:12]}, on trial for {trial.owner}, were taken back"
    else:
        what = "files changed by hand were put back"
    word = leave_word(places, system, what, reason)
    word |= {"trial": trial.digest if trial else None, "owner": trial.owner if trial else None}
    write_state(places.last_return, as_bytes(word), 0o644)
    return word


def leave_word(places: Places, system: System, what: str, reason: str) -> dict[str, object]:
    """Tell whoever logs in next what happened and why; return it with its times."""
    wall = system.wall()
    stamp = time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(wall))
    write_state(places.notice, f"{stamp}: {what}: {reason}\n".encode(), 0o644)
    return {"reason": reason, "time": int(wall), "monotonic": round(system.monotonic(), 1)}


def _restart(places: Places, system: System, reason: str) -> tuple[dict[str, object], Exit]:
    """The last resort; RAM forgets the trial, so word of it goes to the card."""
    with contextlib.suppress(Exception):
        word = tell(places, system, load_trial(places), f"{reason}; the boat was restarted")
        if system.is_mounted(places.data):
            write_durably(places.stored_return, as_bytes(word))
    system.reboot()
    return {"returned": None, "rebooting": True, "reason": reason}, Exit.REBOOTING
