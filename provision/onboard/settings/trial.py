# SPDX-License-Identifier: GPL-3.0-or-later
"""Apply settings in RAM (`trial`), after arming the timer that rolls them back."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from provision.onboard.settings.archive.manifest import Entry
from provision.onboard.settings.archive.read import Settings, read
from provision.onboard.settings.atomic import write_all, write_state
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.apply import Plan, carry_out
from provision.onboard.settings.live.files import (
    NotAFile,
    WantedFile,
    find_changes,
    find_drift,
    find_missing_folders,
    find_wanted,
    inspect,
    inspect_all,
)
from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.rollback import apply_kept_settings, find_base_tree, record_rollback
from provision.onboard.settings.store.state import (
    Trial,
    clear_trial,
    load_kept_settings,
    load_trial,
    read_json,
    save_trial,
)

#: Bytes that are to stay free in RAM beyond what the trial writes.
FREE_RAM_BYTES = 2**20

#: Bytes reserved for a rollback beyond the old files' own size.
ROLLBACK_RESERVE_BYTES = 256 * 2**10


@dataclass(frozen=True)
class Request:
    """Holds what the caller of `trial` asked for."""

    data: bytes
    digest: str
    seconds: int
    owner: str
    overwrite_drift: bool = False


def start_trial(aboard: Paths, system: System, request: Request) -> dict[str, object]:
    """Put settings on trial. The caller holds the lock.

    Returns what changed and what was done. When applying fails, the boat has already rolled
    back before SettingsError says why.
    """
    _refuse_other_trial(aboard, system)
    kept = load_kept_settings(aboard)
    new = read(request.data, request.digest)
    check_compatible(aboard, kept, new)
    paths = {*kept.entries, *new.entries}
    base = find_base_tree(aboard, system)
    wants = find_wanted(new, paths, base)
    changes = find_changes(aboard, wants)
    if not request.overwrite_drift:
        _refuse_drift(aboard, kept, base, changes)
    if not changes:
        return {"changed": [], "digest": new.digest}
    _check_space(aboard, system, kept, new, changes)
    plan = Plan(new, kept, changes, frozenset(changes))
    state = _begin(aboard, system, plan, request)
    try:
        _reserve_space(aboard, kept, changes)
        state = save_trial(aboard, state.in_phase("applying"))
        done = carry_out(aboard, system, plan)
        state = save_trial(aboard, state.in_phase("applied"))
    except Exception as error:
        raise _roll_back_after(aboard, system, state, error) from None
    return {**done, "digest": new.digest, "trial": state.as_json(system)}


def _refuse_other_trial(aboard: Paths, system: System) -> None:
    state = load_trial(aboard)
    if state is None:
        return
    if state.phase == "arming":
        # Stopped before anything changed. Only its timer may exist.
        clear_trial(aboard, system)
        return
    message = (
        f"settings {state.digest[:12]} are on trial for {state.owner}, "
        f"{state.seconds_left(system):.0f} s of {state.seconds} s left"
    )
    details: dict[str, object] = {"trial": state.as_json(system)}
    hint = "wait for them, or end that trial with boat-settings return"
    raise SettingsError("busy", message, hint=hint, status=Exit.BUSY, details=details)


def check_compatible(aboard: Paths, kept: Settings, new: Settings) -> None:
    """Refuse settings that are meant for another boat, board or base."""
    here, there = kept.manifest, new.manifest
    if there.boat != here.boat:
        raise SettingsError(
            "boat", f"these settings are for the boat {there.boat}; this is {here.boat}"
        )
    if there.board != here.board:
        raise SettingsError(
            "board",
            f"these settings are for the board {there.board}; this is {here.board}",
            hint="another board needs a card of its own",
        )
    base = read_json(aboard.base)
    if base is None:
        raise SettingsError("base", f"{aboard.base} cannot be read", status=Exit.UNABLE)
    if there.base != base.get("format"):
        raise SettingsError(
            "base",
            f"these settings need a base of format {there.base}; "
            f"this boat's has format {base.get('format')}",
            hint=f"write a card whose base has format {there.base}, "
            "or push with the version that made this one",
        )


def _refuse_drift(
    aboard: Paths, kept: Settings, base: Path | None, changes: Mapping[str, WantedFile]
) -> None:
    """Refuse to overwrite files that were changed by hand, unless the push asks for it."""
    found = {path: what for path, what in find_drift(aboard, kept).items() if path in changes}
    there = inspect_all(aboard, {*kept.entries, *changes})
    for path in sorted(set(changes) - set(kept.entries)):
        if _was_changed_by_hand(aboard, kept, base, path, there[path]):
            found[path] = "present"
    if found:
        listed = ", ".join(f"{path} ({what})" for path, what in sorted(found.items()))
        raise SettingsError(
            "drift",
            f"changed by hand on the boat: {listed}",
            hint="put it into the profile, or push with --overwrite-drift",
            details={"drift": [{"path": path, "what": found[path]} for path in sorted(found)]},
        )


def _was_changed_by_hand(
    aboard: Paths, kept: Settings, base: Path | None, path: str, found: Entry | NotAFile | None
) -> bool:
    """Report whether `found` at `path` comes neither from the settings nor from the base."""
    if found is NotAFile.FOLDER:
        folders = os.walk(aboard.live(path))
        inside = [Path(folder, name) for folder, _, names in folders for name in names]
        return any(f"/{file.relative_to(aboard.root)}" not in kept.entries for file in inside)
    return found is not None and (base is None or found != inspect(base / path.lstrip("/")))


def _check_space(
    aboard: Paths, system: System, kept: Settings, new: Settings, changes: Mapping[str, WantedFile]
) -> None:
    writes = sum(len(want.content) + 4096 for want in changes.values())
    for folder, need in (
        (aboard.root, writes + _reserved_bytes(kept, changes) + FREE_RAM_BYTES),
        (aboard.run, len(new.data) + FREE_RAM_BYTES),
    ):
        free = system.free_bytes(folder)
        if free < need:
            message = f"{folder} has {free} bytes free in RAM; the trial needs {need}"
            raise SettingsError("space", message, hint="restart the boat to clear its RAM")


def _reserved_bytes(kept: Settings, changes: Mapping[str, WantedFile]) -> int:
    return ROLLBACK_RESERVE_BYTES + sum(
        len(kept.contents.get(path, b"")) + 4096 for path in changes
    )


def _reserve_space(aboard: Paths, kept: Settings, changes: Mapping[str, WantedFile]) -> None:
    """Take up the space that a rollback will need, so that no other file can fill it."""
    with contextlib.suppress(FileNotFoundError):
        os.unlink(aboard.reserve)
    aboard.reserve.parent.mkdir(parents=True, exist_ok=True)
    descriptor = os.open(aboard.reserve, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        write_all(descriptor, bytes(_reserved_bytes(kept, changes)))
    finally:
        os.close(descriptor)


def _begin(aboard: Paths, system: System, plan: Plan, request: Request) -> Trial:
    """Write down what a rollback needs to know, then arm its timer. Nothing has changed yet."""
    units = {entry.unit for entry in plan.reloads if entry.unit} | set(plan.starts + plan.stops)
    already_failing = [unit for unit, found in system.states(sorted(units)).items() if found.failed]
    state = Trial(
        digest=request.digest,
        owner=request.owner,
        seconds=request.seconds,
        deadline=system.monotonic() + request.seconds,
        phase="arming",
        changed=tuple(sorted(plan.changes)),
        folders=tuple(
            find_missing_folders(aboard, [p for p, want in plan.changes.items() if want.entry])
        ),
        already_failing=tuple(already_failing),
    )
    save_trial(aboard, state)
    write_state(aboard.trial_archive, request.data)
    try:
        system.arm(request.seconds)
    except SettingsError as error:
        clear_trial(aboard, system)
        message = f"the rollback timer could not be armed: {error.message}"
        raise SettingsError("timer", message, status=Exit.UNABLE) from None
    return state


def _roll_back_after(
    aboard: Paths, system: System, state: Trial, error: Exception
) -> SettingsError:
    """Roll back at once after a failure, and make one error of both."""
    failure = error if isinstance(error, SettingsError) else None
    kind = failure.kind if failure else "failed"
    details = dict(failure.details) if failure else {}
    why = failure.message if failure else f"{type(error).__name__}: {error}"
    try:
        done = apply_kept_settings(aboard, system, state)
    except Exception as second:
        return SettingsError(
            kind,
            f"{why}; rolling back at once failed too: {second}",
            hint=f"the timer rolls the boat back in {state.seconds_left(system):.0f} s, "
            "by restarting it if need be",
            status=Exit.ON_TRIAL,
            details={**details, "trial": state.as_json(system)},
        )
    record_rollback(aboard, system, state, why)
    clear_trial(aboard, system)
    hint = "the boat is back on its kept settings"
    return SettingsError(kind, why, hint=hint, details={**details, "returned": done})
