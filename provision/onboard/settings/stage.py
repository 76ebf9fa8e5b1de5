# SPDX-License-Identifier: GPL-3.0-or-later
"""Stage settings: store them on the card now, and put them on trial at the next start.

One file names what is staged, and changes in one step. It is removed safely before the trial
starts. A start that is cut short, or the start after it, is therefore on the kept settings.
"""

from __future__ import annotations

import contextlib
import os

from provision.onboard.settings.archive import read
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.keep import store_archive, sync_folder, write_durably
from provision.onboard.settings.paths import Places
from provision.onboard.settings.rollback import leave_word
from provision.onboard.settings.state import (
    as_bytes,
    home,
    load_trial,
    read_archive,
    staged,
    stored,
)
from provision.onboard.settings.system import System
from provision.onboard.settings.trial import Request, fits, trial


def stage(places: Places, system: System, request: Request) -> dict[str, object]:
    """Leave settings for the next start. The caller holds the lock.

    They replace what was staged before. SettingsError means that nothing new was staged. What
    was staged before still is, or the message says that the card may hold either.
    """
    kept = home(places)
    new = read(request.data, request.digest)
    fits(places, kept, new)
    before = staged(places)
    wanted = {"digest": new.digest, "owner": request.owner, "seconds": request.seconds}
    try:
        store_archive(places, system, new.data, new.digest)
        write_durably(places.staged, as_bytes(wanted))
    except (OSError, SettingsError) as error:
        if staged(places) == wanted:
            _undo(places, before, error)
        raise _not_staged(places, error) from None
    return {"staged": staged(places)}


def _undo(places: Places, before: dict[str, object] | None, error: Exception) -> None:
    """Restore what was staged before. SettingsError when the card does not take it."""
    try:
        if before is None:
            drop(places)
        else:
            write_durably(places.staged, as_bytes(before))
    except OSError:
        raise _doubtful(places, "staged", error) from None


def _not_staged(places: Places, error: OSError | SettingsError) -> SettingsError:
    if isinstance(error, SettingsError):
        error.status = _status(places)
        return error
    message = f"nothing was staged: {error.filename or 'the data partition'}: {error.strerror}"
    hint = "what was staged before still is; free or replace the card"
    return SettingsError("data", message, hint=hint, status=_status(places))


def _doubtful(places: Places, what: str, error: Exception) -> SettingsError:
    """Make the error for a card that may hold the old state or the new one."""
    return SettingsError(
        "card",
        f"the card failed while settings were being {what} ({error}): "
        "the next start may put them on trial, or not",
        hint="replace the card",
        status=_status(places),
    )


def _status(places: Places) -> Exit:
    return Exit.REFUSED if load_trial(places) is None else Exit.ON_TRIAL


def unstage(places: Places, _system: System) -> dict[str, object]:
    """Forget what is staged. SettingsError when the card may still hold it."""
    was = staged(places)
    try:
        drop(places)
    except OSError as error:
        raise _doubtful(places, "unstaged", error) from None
    return {"staged": None, "was": was}


def begin(places: Places, system: System) -> dict[str, object]:
    """Put staged settings on trial at a start, if there are any. The caller holds the lock.

    Raises SettingsError when they cannot be put on trial. The next login then shows why.
    """
    if not os.path.lexists(places.staged):
        return {"changed": []}
    found = staged(places)
    what = f"settings {str(found['digest'])[:12]}, staged for {found['owner']}," if found else ""
    try:
        return _begin(places, system, found)
    except (OSError, SettingsError) as error:
        leave_word(places, system, f"{what or 'staged settings'} were not put on trial", str(error))
        raise


def _begin(places: Places, system: System, found: dict[str, object] | None) -> dict[str, object]:
    try:
        drop(places)
    except OSError as error:
        raise _doubtful(places, "taken for their trial", error) from None
    if found is None:
        raise SettingsError("staged", f"{places.staged} cannot be read", hint="stage them again")
    digest, seconds = str(found["digest"]), int(str(found["seconds"]))
    data = read_archive(stored(places, digest))
    return trial(places, system, Request(data, digest, seconds, str(found["owner"])))


def drop(places: Places) -> None:
    """Remove what is staged, and sync the removal to the card. OSError when that fails."""
    if places.store.is_dir():
        with contextlib.suppress(FileNotFoundError):
            os.unlink(places.staged)
        sync_folder(places.store)
