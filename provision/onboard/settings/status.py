# SPDX-License-Identifier: GPL-3.0-or-later
"""Report the boat's settings, its trial, files changed by hand, and its health (`status`)."""

from __future__ import annotations

from provision.onboard.settings.archive.read import Settings, read
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.live.files import find_drift
from provision.onboard.settings.live.health import read_health
from provision.onboard.settings.live.system import System
from provision.onboard.settings.lock import command_at_work
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.store.state import (
    is_intact,
    load_kept_settings,
    load_trial,
    read_archive,
    read_json,
    read_pointer,
    read_staged,
)


def read_status(aboard: Paths, system: System) -> dict[str, object]:
    """Return the status as plain data. Changes nothing and needs no lock.

    `live` is the digest of the settings applied now. `kept` and `previous` are what the card's
    pointers name. `at_work` is the command that is changing something now. `drift` lists files
    that differ from the live settings' manifest.
    """
    busy = command_at_work(aboard)
    trial = load_trial(aboard)
    if trial is not None and trial.phase == "arming" and busy is None:
        trial = None  # Stopped before anything changed. The next command clears it away.
    settings = _load_live_settings(aboard)
    manifest = settings.manifest if settings else None
    kept, previous = (read_pointer(aboard.store / name) for name in ("kept", "previous"))
    choice = read_json(aboard.choice)
    found = find_drift(aboard, settings) if settings else {}
    return {
        "boat": manifest.boat if manifest else None,
        "board": manifest.board if manifest else None,
        "version": manifest.version if manifest else None,
        "profile": manifest.profile if manifest else None,
        "base": read_json(aboard.base),
        "boot": choice,
        "live": settings.digest if settings else None,
        "kept": kept,
        "kept_whole": kept is not None and is_intact(aboard, kept),
        "previous": previous,
        "trial": trial.as_json(system) if trial else None,
        "at_work": busy,
        "staged": read_staged(aboard),
        "degraded": bool(choice.get("degraded")) if choice else True,
        "drift": [{"path": path, "what": what} for path, what in found.items()],
        "last_return": read_json(aboard.last_rollback) or read_json(aboard.stored_rollback),
        "health": read_health(aboard, system),
    }


def _load_live_settings(aboard: Paths) -> Settings | None:
    """Return the settings on trial, or without a trial those that the boat is on."""
    trial = load_trial(aboard)
    try:
        if trial is not None and trial.phase != "arming":
            return read(read_archive(aboard.trial_archive), trial.digest)
        return load_kept_settings(aboard)
    except (OSError, SettingsError):
        return None


def format_text(found: dict[str, object]) -> str:
    """Format the status for people, in a few lines."""
    trial, drifted = found["trial"], found["drift"]
    lines = [f"{found['boat']} ({found['board']}), settings {_short(found['live'])}"]
    lines.append(f"kept {_short(found['kept'])}, previous {_short(found['previous'])}")
    if isinstance(trial, dict):
        left = trial["seconds_left"]
        lines.append(f"on trial for {trial['owner']} ({trial['phase']}), {left:.0f} s left")
    staging = found["staged"]
    if isinstance(staging, dict):
        what = f"{_short(staging['digest'])} for {staging['owner']}"
        lines.append(f"on trial from the next start: {what}, {staging['seconds']} s")
    if found["degraded"]:
        boot = found["boot"]
        reason = boot.get("reason") if isinstance(boot, dict) else "the boot gave no reason"
        lines.append(f"degraded: {reason}")
    if isinstance(drifted, list):
        lines += [f"changed by hand: {entry['path']} ({entry['what']})" for entry in drifted]
    last = found["last_return"]
    if isinstance(last, dict):
        lines.append(f"last rollback: {last.get('reason')}")
    return "\n".join(lines)


def _short(digest: object) -> str:
    return digest[:12] if isinstance(digest, str) else "none"
