# SPDX-License-Identifier: GPL-3.0-or-later
"""Apply settings in RAM (`trial`), after arming the timer that rolls them back."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from provision.onboard.settings.apply import Plan, carry_out
from provision.onboard.settings.archive import Settings, read
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.files import (
    Odd,
    Wanted,
    differing,
    drift,
    look,
    missing_folders,
    seen,
    wanted,
    write_all,
)
from provision.onboard.settings.manifest import Entry
from provision.onboard.settings.paths import Places
from provision.onboard.settings.rollback import base_tree, go_home, tell
from provision.onboard.settings.state import (
    Trial,
    clear_trial,
    home,
    load_trial,
    read_json,
    save_trial,
    write_state,
)
from provision.onboard.settings.system import System

#: Bytes that are to stay free in RAM beyond what the trial writes.
MARGIN = 2**20

#: Bytes held back for a return beyond the old files' own size.
RESERVE = 256 * 2**10


@dataclass(frozen=True)
class Request:
    """Holds what the caller of `trial` asked for."""

    data: bytes
    digest: str
    seconds: int
    owner: str
    overwrite_drift: bool = False


def trial(places: Places, system: System, request: Request) -> dict[str, object]:
    """Put settings on trial. The caller holds the lock.

    Returns what changed and what was done. When applying fails, the boat has already rolled
    back before SettingsError says why.
    """
    _nobody_else(places, system)
    kept = home(places)
    new = read(request.data, request.digest)
    fits(places, kept, new)
    paths = {*kept.entries, *new.entries}
    base = base_tree(places, system)
    wants = wanted(new, paths, base)
    changes = differing(places, wants)
    if not request.overwrite_drift:
        _no_drift(places, kept, base, changes)
    if not changes:
        return {"changed": [], "digest": new.digest}
    _room(places, system, kept, new, changes)
    plan = Plan(new, kept, changes, frozenset(changes))
    state = _begin(places, system, plan, request)
    try:
        _reserve(places, kept, changes)
        state = save_trial(places, state.at("applying"))
        done = carry_out(places, system, plan)
        state = save_trial(places, state.at("applied"))
    except Exception as error:
        raise _taken_back(places, system, state, error) from None
    return {**done, "digest": new.digest, "trial": state.as_json(system)}


def _nobody_else(places: Places, system: System) -> None:
    state = load_trial(places)
    if state is None:
        return
    if state.phase == "arming":
        # Stopped before anything changed. Only its timer may exist.
        clear_trial(places, system)
        return
    message = (
        f"settings {state.digest[:12]} are on trial for {state.owner}, "
        f"{state.left(system):.0f} s of {state.seconds} s left"
    )
    details: dict[str, object] = {"trial": state.as_json(system)}
    hint = "wait for them, or end that trial with boat-settings return"
    raise SettingsError("busy", message, hint=hint, status=Exit.BUSY, details=details)


def fits(places: Places, kept: Settings, new: Settings) -> None:
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
    base = read_json(places.base)
    if base is None:
        raise SettingsError("base", f"{places.base} cannot be read", status=Exit.UNABLE)
    if there.base != base.get("format"):
        raise SettingsError(
            "base",
            f"these settings need a base of format {there.base}; "
            f"this boat's has format {base.get('format')}",
            hint=f"write a card whose base has format {there.base}, "
            "or push with the version that made this one",
        )


def _no_drift(
    places: Places, kept: Settings, base: Path | None, changes: Mapping[str, Wanted]
) -> None:
    """Refuse to overwrite files that were changed by hand, unless the push asks for it."""
    found = {path: what for path, what in drift(places, kept).items() if path in changes}
    there = seen(places, {*kept.entries, *changes})
    for path in sorted(set(changes) - set(kept.entries)):
        if _by_hand(places, kept, base, path, there[path]):
            found[path] = "present"
    if found:
        listed = ", ".join(f"{path} ({what})" for path, what in sorted(found.items()))
        raise SettingsError(
            "drift",
            f"changed by hand on the boat: {listed}",
            hint="put it into the profile, or push with --overwrite-drift",
            details={"drift": [{"path": path, "what": found[path]} for path in sorted(found)]},
        )


def _by_hand(
    places: Places, kept: Settings, base: Path | None, path: str, found: Entry | Odd | None
) -> bool:
    """Report whether `found` at `path` comes neither from the settings nor from the base."""
    if found is Odd.FOLDER:
        folders = os.walk(places.live(path))
        inside = [Path(folder, name) for folder, _, names in folders for name in names]
        return any(f"/{place.relative_to(places.root)}" not in kept.entries for place in inside)
    return found is not None and (base is None or found != look(base / path.lstrip("/")))


def _room(
    places: Places, system: System, kept: Settings, new: Settings, changes: Mapping[str, Wanted]
) -> None:
    writes = sum(len(want.content) + 4096 for want in changes.values())
    for folder, need in (
        (places.root, writes + _held_back(kept, changes) + MARGIN),
        (places.run, len(new.data) + MARGIN),
    ):
        free = system.free_bytes(folder)
        if free < need:
            message = f"{folder} has {free} bytes free in RAM; the trial needs {need}"
            raise SettingsError("space", message, hint="restart the boat to clear its RAM")


def _held_back(kept: Settings, changes: Mapping[str, Wanted]) -> int:
    return RESERVE + sum(len(kept.contents.get(path, b"")) + 4096 for path in changes)


def _reserve(places: Places, kept: Settings, changes: Mapping[str, Wanted]) -> None:
    """Take up the space that a return will need, so that no other file can fill it."""
    with contextlib.suppress(FileNotFoundError):
        os.unlink(places.reserve)
    places.reserve.parent.mkdir(parents=True, exist_ok=True)
    descriptor = os.open(places.reserve, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        write_all(descriptor, bytes(_held_back(kept, changes)))
    finally:
        os.close(descriptor)


def _begin(places: Places, system: System, plan: Plan, request: Request) -> Trial:
    """Write down what a return needs to know, then arm its timer. Nothing has changed yet."""
    units = {entry.unit for entry in plan.reloads if entry.unit} | set(plan.starts + plan.stops)
    ailing = [unit for unit, found in system.states(sorted(units)).items() if found.failed]
    state = Trial(
        digest=request.digest,
        owner=request.owner,
        seconds=request.seconds,
        deadline=system.monotonic() + request.seconds,
        phase="arming",
        changed=tuple(sorted(plan.changes)),
        folders=tuple(
            missing_folders(places, [p for p, want in plan.changes.items() if want.entry])
        ),
        ailing=tuple(ailing),
    )
    save_trial(places, state)
    write_state(places.trial_archive, request.data)
    try:
        system.arm(request.seconds)
    except SettingsError as error:
        clear_trial(places, system)
        message = f"the return timer could not be armed: {error.message}"
        raise SettingsError("timer", message, status=Exit.UNABLE) from None
    return state


def _taken_back(places: Places, system: System, state: Trial, error: Exception) -> SettingsError:
    """Roll back at once after a failure, and make one error of both."""
    failure = error if isinstance(error, SettingsError) else None
    kind = failure.kind if failure else "failed"
    details = dict(failure.details) if failure else {}
    why = failure.message if failure else f"{type(error).__name__}: {error}"
    try:
        done = go_home(places, system, state)
    except Exception as second:
        return SettingsError(
            kind,
            f"{why}; returning at once failed too: {second}",
            hint=f"the timer returns the boat in {state.left(system):.0f} s, by restarting it "
            "if need be",
            status=Exit.ON_TRIAL,
            details={**details, "trial": state.as_json(system)},
        )
    tell(places, system, state, why)
    clear_trial(places, system)
    hint = "the boat is back on its kept settings"
    return SettingsError(kind, why, hint=hint, details={**details, "returned": done})
