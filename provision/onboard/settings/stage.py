# SPDX-License-Identifier: GPL-3.0-or-later
"""Stage settings: store them on the card now, and put them on trial at the next start.

One file names what is staged, and changes in one step. It is removed safely before the trial
starts. A start that is cut short, or the start after it, is therefore on the kept settings.
"""

from __future__ import annotations

import contextlib
import os

from provision.onboard.settings.archive.read import read
from provision.onboard.settings.atomic import sync_folder, write_durably
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.rollback import write_notice
from provision.onboard.settings.store.keep import store_archive
from provision.onboard.settings.store.state import (
    archive_path,
    as_bytes,
    load_kept_settings,
    load_trial,
    read_archive,
    read_staged,
)
from provision.onboard.settings.trial import Request, check_compatible, start_trial


def stage(aboard: Paths, system: System, request: Request) -> dict[str, object]:
    """Leave settings for the next start. The caller holds the lock.

    They replace what was staged before. SettingsError means that nothing new was staged. What
    was staged before still is, or the message says that the card may hold either.
    """
    kept = load_kept_settings(aboard)
    new = read(request.data, request.digest)
    check_compatible(aboard, kept, new)
    before = read_staged(aboard)
    wanted = {"digest": new.digest, "owner": request.owner, "seconds": request.seconds}
    try:
        store_archive(aboard, system, new.data, new.digest)
        write_durably(aboard.staged, as_bytes(wanted))
    except (OSError, SettingsError) as error:
        if read_staged(aboard) == wanted:
            _undo(aboard, before, error)
        raise _not_staged(aboard, error) from None
    return {"staged": read_staged(aboard)}


def _undo(aboard: Paths, before: dict[str, object] | None, error: Exception) -> None:
    """Restore what was staged before. SettingsError when the card does not take it."""
    try:
        if before is None:
            remove_staged(aboard)
        else:
            write_durably(aboard.staged, as_bytes(before))
    except OSError:
        raise _uncertain(aboard, "staged", error) from None


def _not_staged(aboard: Paths, error: OSError | SettingsError) -> SettingsError:
    if isinstance(error, SettingsError):
        error.status = _status(aboard)
        return error
    message = f"nothing was staged: {error.filename or 'the data partition'}: {error.strerror}"
    hint = "what was staged before still is; free or replace the card"
    return SettingsError("data", message, hint=hint, status=_status(aboard))


def _uncertain(aboard: Paths, what: str, error: Exception) -> SettingsError:
    """Make the error for a card that may hold the old state or the new one."""
    return SettingsError(
        "card",
        f"the card failed while settings were being {what} ({error}): "
        "the next start may put them on trial, or not",
        hint="replace the card",
        status=_status(aboard),
    )


def _status(aboard: Paths) -> Exit:
    return Exit.REFUSED if load_trial(aboard) is None else Exit.ON_TRIAL


def unstage(aboard: Paths, _system: System) -> dict[str, object]:
    """Forget what is staged. SettingsError when the card may still hold it."""
    was = read_staged(aboard)
    try:
        remove_staged(aboard)
    except OSError as error:
        raise _uncertain(aboard, "unstaged", error) from None
    return {"staged": None, "was": was}


def begin(aboard: Paths, system: System) -> dict[str, object]:
    """Put staged settings on trial at a start, if there are any. The caller holds the lock.

    Raises SettingsError when they cannot be put on trial. The next login then shows why.
    """
    if not os.path.lexists(aboard.staged):
        return {"changed": []}
    found = read_staged(aboard)
    what = f"settings {str(found['digest'])[:12]}, staged for {found['owner']}," if found else ""
    try:
        return _begin(aboard, system, found)
    except (OSError, SettingsError) as error:
        write_notice(
            aboard, system, f"{what or 'staged settings'} were not put on trial", str(error)
        )
        raise


def _begin(aboard: Paths, system: System, found: dict[str, object] | None) -> dict[str, object]:
    try:
        remove_staged(aboard)
    except OSError as error:
        raise _uncertain(aboard, "taken for their trial", error) from None
    if found is None:
        raise SettingsError("staged", f"{aboard.staged} cannot be read", hint="stage them again")
    digest, seconds = str(found["digest"]), int(str(found["seconds"]))
    data = read_archive(archive_path(aboard, digest))
    return start_trial(aboard, system, Request(data, digest, seconds, str(found["owner"])))


def remove_staged(aboard: Paths) -> None:
    """Remove what is staged, and sync the removal to the card. OSError when that fails."""
    if aboard.store.is_dir():
        with contextlib.suppress(FileNotFoundError):
            os.unlink(aboard.staged)
        sync_folder(aboard.store)
